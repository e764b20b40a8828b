//! A small plot for a terminal: points over time with level lines, in braille cells.
//!
//! Owns only the drawing; whether a plot is wanted is the caller's to decide.

use std::fmt;

/// Width of the drawing in characters.
const WIDTH: usize = 56;
/// Height of the drawing in characters.
const HEIGHT: usize = 11;
/// Dots of a braille cell, across and down.
const DOTS: (usize, usize) = (2, 4);
/// First character of the braille block (Unicode chart U+2800).
const BLANK: u32 = 0x2800;
/// Bits of the dots of a cell by row and column (Unicode chart U+2800).
const BITS: [[u32; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

/// What is drawn.
#[derive(Debug, Clone)]
pub(crate) struct Plot<'a> {
    /// Title line.
    pub(crate) title: &'a str,
    /// Points, x and y; those that are no numbers are left out.
    pub(crate) points: &'a [(f64, f64)],
    /// Levels with their names, drawn as dotted lines.
    pub(crate) levels: &'a [(&'a str, f64)],
    /// Labels of the first and the last x.
    pub(crate) ends: (&'a str, &'a str),
}

impl fmt::Display for Plot<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let good = |p: &&(f64, f64)| p.0.is_finite() && p.1.is_finite();
        let points: Vec<(f64, f64)> = self.points.iter().filter(good).copied().collect();
        let Some(x) = range(points.iter().map(|p| p.0)) else {
            return Ok(());
        };
        let levels = self.levels.iter().map(|l| l.1).filter(|l| l.is_finite());
        let Some(y) = range(points.iter().map(|p| p.1).chain(levels)) else {
            return Ok(());
        };
        let mut cells = [[BLANK; WIDTH]; HEIGHT];
        let mut notes = [const { String::new() }; HEIGHT];
        for (name, level) in self.levels.iter().filter(|l| l.1.is_finite()) {
            let row = place(y.1 - level, y.1 - y.0, HEIGHT * DOTS.1);
            for column in (0..WIDTH * DOTS.0).step_by(4) {
                dot(&mut cells, column, row);
            }
            if let Some(note) = notes.get_mut(row / DOTS.1) {
                let comma = if note.is_empty() { "" } else { ", " };
                *note += &format!("{comma}{name} {level:.2}");
            }
        }
        for (at, value) in &points {
            // Two dots by two, so that a point is seen beside a line; the last place leaves room.
            let column = place(at - x.0, x.1 - x.0, WIDTH * DOTS.0 - 1);
            let row = place(y.1 - value, y.1 - y.0, HEIGHT * DOTS.1 - 1);
            for (across, down) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
                dot(&mut cells, column + across, row + down);
            }
        }
        writeln!(f, "  {}", self.title)?;
        for (row, (cells, note)) in cells.iter().zip(&notes).enumerate() {
            let label = match row {
                0 => format!("{:8.2}", y.1),
                r if r == HEIGHT - 1 => format!("{:8.2}", y.0),
                _ => " ".repeat(8),
            };
            let drawn: String = cells.iter().filter_map(|c| char::from_u32(*c)).collect();
            writeln!(f, "{}", format!("{label} {drawn} {note}").trim_end())?;
        }
        let gap = WIDTH.saturating_sub(self.ends.0.len());
        writeln!(f, "         {}{:>gap$}", self.ends.0, self.ends.1)
    }
}

/// Lowest and highest; a single value gets some room around it.
fn range(values: impl Iterator<Item = f64>) -> Option<(f64, f64)> {
    let (low, high) = values.fold(None, |range: Option<(f64, f64)>, v| {
        Some(range.map_or((v, v), |(low, high)| (low.min(v), high.max(v))))
    })?;
    let room = if high > low {
        0.0
    } else {
        high.abs().max(1.0) * 0.05
    };
    Some((low - room, high + room))
}

/// The dot of `steps` on which a part of a span falls.
fn place(part: f64, span: f64, steps: usize) -> usize {
    let last = steps.saturating_sub(1);
    let at = (part / span * last as f64).round();
    (at.max(0.0) as usize).min(last)
}

fn dot(cells: &mut [[u32; WIDTH]; HEIGHT], column: usize, row: usize) {
    let bit = BITS[row % DOTS.1][column % DOTS.0];
    let cell = cells
        .get_mut(row / DOTS.1)
        .and_then(|cells| cells.get_mut(column / DOTS.0));
    if let Some(cell) = cell {
        *cell |= bit;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(points: &[(f64, f64)], levels: &[(&str, f64)]) -> String {
        Plot {
            title: "capacity, Ah",
            points,
            levels,
            ends: ("2026-01-01", "2026-12-31"),
        }
        .to_string()
    }

    fn ink(line: &str) -> bool {
        line.chars().any(|c| ('\u{2801}'..='\u{28ff}').contains(&c))
    }

    #[test]
    fn a_fall_is_drawn_from_upper_left_to_lower_right() {
        let text = drawn(&[(0.0, 44.0), (10.0, 40.0)], &[]);
        let lines: Vec<&str> = text.lines().collect();
        let at = |line: &str| line.chars().position(|c| c > '\u{2800}' && c <= '\u{28ff}');
        assert_eq!(at(lines[1]), Some(9), "{text}");
        assert_eq!(at(lines[HEIGHT]), Some(9 + WIDTH - 1), "{text}");
        assert!(lines[2..HEIGHT].iter().all(|l| !ink(l)), "{text}");
        assert!(lines[1].trim_start().starts_with("44.00"));
        assert!(lines[HEIGHT].trim_start().starts_with("40.00"));
    }

    #[test]
    fn levels_are_named_on_their_line_and_widen_the_range() {
        let text = drawn(
            &[(0.0, 41.0), (1.0, 41.0)],
            &[("rated", 44.0), ("minimum", 37.4)],
        );
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines[1].ends_with("rated 44.00"), "{text}");
        assert!(lines[HEIGHT].ends_with("minimum 37.40"), "{text}");
    }

    #[test]
    fn nothing_or_no_number_draws_nothing_and_one_point_is_drawn() {
        assert_eq!(drawn(&[], &[("rated", 1.0)]), "");
        assert_eq!(drawn(&[(f64::NAN, 1.0)], &[]), "");
        assert!(drawn(&[(1.0, 0.0)], &[]).lines().any(ink));
    }
}
