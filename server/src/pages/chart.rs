//! One chart: capacity over time as SVG, drawn by hand, readable without colour and by a reader.

use carrylog_format::instant::Instant;
use carrylog_format::record::Verdict;
use std::fmt::Write;

/// One capacity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) at: Instant,
    pub(super) capacity_ah: f64,
    /// Expanded uncertainty, coverage factor 2.
    pub(super) expanded_ah: Option<f64>,
    pub(super) verdict: Option<Verdict>,
}

/// What is drawn.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Chart {
    pub(super) points: Vec<Point>,
    pub(super) rated_ah: Option<f64>,
    pub(super) minimum_ah: Option<f64>,
}

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 370.0;
const LEFT: f64 = 66.0;
const RIGHT: f64 = 20.0;
const TOP: f64 = 38.0;
const BOTTOM: f64 = 64.0;
const DAY_MS: f64 = 86_400_000.0;
const MOST_TICKS: usize = 6;

/// Where a value lies on the drawing.
struct Scale {
    from: f64,
    to: f64,
    low: f64,
    high: f64,
}

impl Scale {
    fn at(&self, value: f64) -> f64 {
        self.low + (value - self.from) / (self.to - self.from) * (self.high - self.low)
    }
}

impl Chart {
    /// The drawing; `None` if there is no point.
    pub(super) fn svg(&self) -> Option<String> {
        let (first, last) = (self.points.first()?, self.points.last()?);
        let time = self.time_scale();
        let (charge, ticks) = self.charge_scale();
        let mut out = String::new();
        // Writing to a String cannot fail; the result is dropped on purpose throughout.
        let _ = write!(
            out,
            "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"chart-title chart-desc\">\
             <title id=\"chart-title\">Capacity in ampere-hours over time</title>\
             <desc id=\"chart-desc\">{} measurements from {} to {}: first {:.2} Ah, last {:.2} Ah.{} The table below holds the same values.</desc>",
            self.points.len(),
            first.at.date(),
            last.at.date(),
            first.capacity_ah,
            last.capacity_ah,
            self.lines_in_words(),
        );
        for tick in &ticks {
            let y = charge.at(*tick);
            let _ = write!(
                out,
                "<line class=\"grid\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
                 <text class=\"tick\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{}</text>",
                WIDTH - RIGHT,
                LEFT - 8.0,
                y + 4.0,
                tick_label(*tick),
            );
        }
        let base = HEIGHT - BOTTOM;
        for (at, label) in time_ticks(&time) {
            let x = time.at(at);
            let _ = write!(
                out,
                "<line class=\"axis\" x1=\"{x:.1}\" x2=\"{x:.1}\" y1=\"{base}\" y2=\"{:.1}\"/>\
                 <text class=\"tick\" x=\"{x:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{label}</text>",
                base + 5.0,
                base + 26.0,
            );
        }
        let _ = write!(
            out,
            "<line class=\"axis\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{base}\" y2=\"{base}\"/>\
             <text class=\"unit\" x=\"{:.1}\" y=\"18\">Capacity, Ah</text>\
             <text class=\"unit\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">Date of the test</text>",
            WIDTH - RIGHT,
            4.0,
            WIDTH - RIGHT,
            HEIGHT - 4.0,
        );
        // Capacity falls: the name above the rated line stands where the course has left it, the one
        // above the minimum where it has not come down to it yet.
        let (left, right) = ((LEFT + 6.0, "start"), (WIDTH - RIGHT - 4.0, "end"));
        for (value, name, (x, anchor)) in [
            (self.rated_ah, "rated", right),
            (self.minimum_ah, "minimum", left),
        ] {
            if let Some(value) = value {
                let y = charge.at(value);
                // Beneath its line where the last point lies above it, so that they do not meet.
                let beneath = anchor == "end" && last.capacity_ah >= value;
                let name_y = if beneath { y + 16.0 } else { y - 6.0 };
                let _ = write!(
                    out,
                    "<line class=\"{name}\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
                     <text class=\"name\" x=\"{x:.1}\" y=\"{name_y:.1}\" text-anchor=\"{anchor}\">{name} {} Ah</text>",
                    WIDTH - RIGHT,
                    tick_label(value),
                );
            }
        }
        let line: Vec<String> = self
            .points
            .iter()
            .map(|p| format!("{:.1},{:.1}", time.at(days(p.at)), charge.at(p.capacity_ah)))
            .collect();
        let _ = write!(
            out,
            "<polyline class=\"course\" points=\"{}\"/>",
            line.join(" ")
        );
        for point in &self.points {
            draw_point(&mut out, point, &time, &charge);
        }
        out.push_str("</svg>");
        Some(out)
    }

    fn time_scale(&self) -> Scale {
        let at: Vec<f64> = self.points.iter().map(|p| days(p.at)).collect();
        let low = at.iter().copied().fold(f64::INFINITY, f64::min);
        let high = at.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let margin = ((high - low) * 0.04).max(15.0);
        Scale {
            from: low - margin,
            to: high + margin,
            low: LEFT,
            high: WIDTH - RIGHT,
        }
    }

    fn charge_scale(&self) -> (Scale, Vec<f64>) {
        let ends = |p: &Point| {
            let half = p.expanded_ah.unwrap_or(0.0);
            [p.capacity_ah - half, p.capacity_ah + half]
        };
        let shown: Vec<f64> = self
            .points
            .iter()
            .flat_map(ends)
            .chain(self.rated_ah)
            .chain(self.minimum_ah)
            .collect();
        let low = shown.iter().copied().fold(f64::INFINITY, f64::min);
        let high = shown.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let margin = ((high - low) * 0.12).max(high.abs() * 0.02).max(1e-6);
        let (low, high) = ((low - margin).max(0.0), high + margin);
        let step = step(high - low);
        let from = (low / step).floor() * step;
        let to = (high / step).ceil() * step;
        let count = ((to - from) / step).round() as usize;
        let ticks = (0..=count).map(|i| from + step * i as f64).collect();
        (
            Scale {
                from,
                to,
                low: HEIGHT - BOTTOM,
                high: TOP,
            },
            ticks,
        )
    }

    fn lines_in_words(&self) -> String {
        let mut words = String::new();
        for (value, name) in [(self.rated_ah, "Rated"), (self.minimum_ah, "Minimum")] {
            if let Some(value) = value {
                let _ = write!(words, " {name} {value:.2} Ah.");
            }
        }
        words
    }
}

/// Each verdict has a shape of its own, so that nothing depends on colour.
fn draw_point(out: &mut String, point: &Point, time: &Scale, charge: &Scale) {
    let (x, y) = (time.at(days(point.at)), charge.at(point.capacity_ah));
    let _ = write!(
        out,
        "<g class=\"point\"><title>{}: {:.2} Ah, {}</title>",
        point.at.date(),
        point.capacity_ah,
        point.verdict.map_or("not assessed", Verdict::words),
    );
    if let Some(half) = point.expanded_ah {
        let (top, bottom) = (
            charge.at(point.capacity_ah + half),
            charge.at(point.capacity_ah - half),
        );
        let _ = write!(
            out,
            "<path class=\"whisker\" d=\"M{x:.1} {top:.1}V{bottom:.1}M{:.1} {top:.1}h8M{:.1} {bottom:.1}h8\"/>",
            x - 4.0,
            x - 4.0,
        );
    }
    let _ = match point.verdict {
        Some(Verdict::WithinLimits) => {
            write!(
                out,
                "<circle class=\"good\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>"
            )
        }
        Some(Verdict::InsideGuardBand) => write!(
            out,
            "<path class=\"near\" d=\"M{x:.1} {:.1}l6.5 6.5l-6.5 6.5l-6.5 -6.5z\"/>",
            y - 6.5
        ),
        Some(Verdict::OutsideLimits) => write!(
            out,
            "<path class=\"bad\" d=\"M{:.1} {:.1}l11 11m0 -11l-11 11\"/>",
            x - 5.5,
            y - 5.5
        ),
        _ => write!(
            out,
            "<circle class=\"open\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>"
        ),
    };
    out.push_str("</g>");
}

fn days(at: Instant) -> f64 {
    at.millis() as f64 / DAY_MS
}

/// A step of 1, 2 or 5 times a power of ten that gives at most [`MOST_TICKS`] ticks.
fn step(range: f64) -> f64 {
    let rough = range / MOST_TICKS as f64;
    let power = 10f64.powf(rough.log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|s| *s >= rough)
        .unwrap_or(10.0 * power)
}

/// A number without the zeros it does not need.
fn tick_label(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// First days of months, a step apart that gives at most [`MOST_TICKS`] ticks.
fn time_ticks(scale: &Scale) -> Vec<(f64, String)> {
    let month_of = |days: f64| -> Option<i64> {
        let date = Instant::from_millis((days.max(0.0) * DAY_MS) as i64)
            .ok()?
            .date()
            .to_string();
        let mut parts = date.split('-').filter_map(|p| p.parse::<i64>().ok());
        Some(parts.next()? * 12 + parts.next()? - 1)
    };
    let (Some(first), Some(last)) = (month_of(scale.from), month_of(scale.to)) else {
        return Vec::new();
    };
    let span = last - first;
    let step = [1, 2, 3, 6, 12, 24, 60, 120, 240]
        .into_iter()
        .find(|s| span / s < MOST_TICKS as i64)
        .unwrap_or(480);
    let ticks: Vec<(f64, String)> = (first..=last)
        .filter(|month| month % step == 0)
        .filter_map(|month| {
            let (year, month) = (month / 12, month % 12 + 1);
            let date = format!("{year:04}-{month:02}-01").parse::<carrylog_format::instant::Date>();
            let at = days(date.ok()?.start().ok()?);
            let label = if step % 12 == 0 {
                format!("{year}")
            } else {
                format!("{year}-{month:02}")
            };
            (at >= scale.from && at <= scale.to).then_some((at, label))
        })
        .collect();
    ticks
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(date: &str, capacity_ah: f64) -> Point {
        Point {
            at: format!("{date}T12:00:00Z").parse().unwrap(),
            capacity_ah,
            expanded_ah: Some(0.1),
            verdict: Some(Verdict::WithinLimits),
        }
    }

    fn chart(points: Vec<Point>) -> Chart {
        Chart {
            points,
            rated_ah: Some(44.0),
            minimum_ah: Some(35.2),
        }
    }

    #[test]
    fn without_a_point_there_is_no_chart() {
        assert_eq!(chart(vec![]).svg(), None);
    }

    #[test]
    fn every_point_and_line_lies_within_the_drawing() {
        let svg = chart(vec![point("2023-01-10", 44.2), point("2026-01-10", 34.0)])
            .svg()
            .unwrap();
        for name in ["x1", "x2", "y1", "y2", "cx", "cy", "x", "y"] {
            for part in svg.split(&format!(" {name}=\"")).skip(1) {
                let value: f64 = part.split('"').next().unwrap().parse().unwrap();
                let most = if name.contains('x') { WIDTH } else { HEIGHT };
                assert!((0.0..=most).contains(&value), "{name}={value}");
            }
        }
    }

    #[test]
    fn one_point_is_enough() {
        let one = Chart {
            points: vec![point("2026-02-01", 40.0)],
            ..Chart::default()
        };
        assert!(
            one.svg()
                .unwrap()
                .contains("1 measurements from 2026-02-01")
        );
    }

    #[test]
    fn ticks_are_round_and_few() {
        assert_eq!([step(1.0), step(10.0), step(13.0)], [0.2, 2.0, 5.0]);
        for (from, to) in [
            (19_000.0, 19_040.0),
            (18_000.0, 19_500.0),
            (10_000.0, 19_500.0),
        ] {
            let ticks = time_ticks(&Scale {
                from,
                to,
                low: 0.0,
                high: 1.0,
            });
            assert!((1..=7).contains(&ticks.len()), "{ticks:?}");
        }
    }

    #[test]
    fn the_shape_tells_the_verdict() {
        let with = |verdict| {
            let p = Point {
                verdict,
                ..point("2026-01-01", 40.0)
            };
            chart(vec![p]).svg().unwrap()
        };
        let shapes: Vec<String> = [
            Some(Verdict::WithinLimits),
            Some(Verdict::InsideGuardBand),
            Some(Verdict::OutsideLimits),
            None,
        ]
        .into_iter()
        .map(with)
        .collect();
        assert!(shapes[0].contains("class=\"good\""));
        assert!(shapes[1].contains("class=\"near\""));
        assert!(shapes[2].contains("class=\"bad\""));
        assert!(shapes[3].contains("class=\"open\""));
    }
}
