//! Readings that no battery gives are replaced by the straight line between their neighbours, and
//! told, before anything is computed.
//!
//! Owns what counts as a fault of the recording: voltage drop-outs, wild currents, temperature
//! spikes. Every bound here is common practice, no source. What is longer than a drop-out may be is
//! never mended: it becomes [`Cleaned::fault`], and no capacity is given.

use crate::phases;
use crate::quantity::Seconds;
use crate::refusal::{Notice, NoticeKind, RefusalReason};
use crate::samples::{Columns, Samples};
use std::borrow::Cow;

/// A voltage that jumps by more than this part of the end voltage at unchanged current is no battery's.
const JUMP_PART: f64 = 0.2;
/// A voltage within this part of the end voltage of its old level is back in line.
const IN_LINE_PART: f64 = 0.05;
/// Longest drop-out that is bridged.
const DROP_OUT_S: f64 = 30.0;
/// A current above this multiple of the working current is wild.
const WILD: f64 = 3.0;
/// A wild reading lasts this many rows at most.
const WILD_ROWS: usize = 3;
/// Above this multiple no voltage is asked whether the current was real.
const IMPOSSIBLE: f64 = 20.0;
/// The voltage follows a real current by more than this part of itself.
const FOLLOWS_PART: f64 = 0.005;
/// Part of the larger current by which two rows may differ and count as unchanged.
const UNCHANGED: f64 = 0.05;
/// Temperatures outside this range are a broken sensor wire, not a battery.
pub(crate) const SENSOR_RANGE_C: std::ops::RangeInclusive<f64> = -60.0..=150.0;
/// A temperature that leaves by more than this and comes back was never there.
const SPIKE_K: f64 = 20.0;
/// Most faults of one kind that are named one by one.
const NAMED: usize = 64;

/// Samples without readings that cannot be.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Cleaned<'a> {
    /// The samples, replaced readings in them.
    pub(crate) samples: Cow<'a, Samples>,
    /// What was replaced.
    pub(crate) notices: Vec<Notice>,
    /// What could not be mended.
    pub(crate) fault: Option<RefusalReason>,
}

/// Rows to replace in one column, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Rows {
    first: usize,
    last: usize,
}

/// Replaces what cannot be. `end_voltage` scales the voltage's bounds; the median voltage if unknown.
pub(crate) fn clean(samples: &Samples, end_voltage: Option<f64>) -> Cleaned<'_> {
    let working = phases::working_current(samples.current_a());
    let mut notices = Vec::new();
    let wild = wild_currents(samples, working);
    let mut columns: Option<Columns> = None;
    let notice = |kind, rows: &Rows| Notice {
        kind,
        row: rows.first,
        rows: rows.last - rows.first + 1,
        at: Seconds(samples.time_s()[rows.first]),
    };
    if !wild.is_empty() {
        let columns = columns.get_or_insert_with(|| samples.clone().into_columns());
        for rows in &wild {
            bridge(&columns.time_s, &mut columns.current_a, rows);
        }
        notices.extend(
            wild.iter()
                .take(NAMED)
                .map(|r| notice(NoticeKind::WildCurrent, r)),
        );
    }
    let current = columns
        .as_ref()
        .map_or(samples.current_a(), |c| &c.current_a);
    let scale = end_voltage.unwrap_or_else(|| phases::median_of(samples.voltage_v()));
    let drops = drop_outs(samples, current, scale.abs(), working);
    if !drops.bridged.is_empty() {
        let columns = columns.get_or_insert_with(|| samples.clone().into_columns());
        for rows in &drops.bridged {
            bridge(&columns.time_s, &mut columns.voltage_v, rows);
        }
        notices.extend(
            drops
                .bridged
                .iter()
                .take(NAMED)
                .map(|r| notice(NoticeKind::VoltageDropOut, r)),
        );
    }
    for (sensor, column) in samples.temperature_c().iter().enumerate() {
        let spikes = spikes(samples.time_s(), column);
        let left_out: usize = spikes.iter().map(|r| r.last - r.first + 1).sum();
        // A sensor without one good reading is no sensor; it stays as it is for the plausibility
        // check to name, and no mean is formed of it.
        let Some(first) = spikes.first().filter(|_| left_out < column.len()) else {
            continue;
        };
        let columns = columns.get_or_insert_with(|| samples.clone().into_columns());
        for rows in &spikes {
            bridge(&columns.time_s, &mut columns.temperature_c[sensor], rows);
        }
        notices.push(Notice {
            kind: NoticeKind::TemperatureDropOut { sensor },
            row: first.first,
            rows: left_out,
            at: Seconds(samples.time_s()[first.first]),
        });
    }
    Cleaned {
        samples: match columns {
            Some(columns) => Cow::Owned(samples.with_readings(columns)),
            None => Cow::Borrowed(samples),
        },
        notices,
        fault: drops.fault,
    }
}

/// Puts the straight line between the rows around `rows` in their place; at an end of the column the
/// one neighbour's value.
fn bridge(time: &[f64], values: &mut [f64], rows: &Rows) {
    let before = rows.first.checked_sub(1);
    let after = Some(rows.last + 1).filter(|&k| k < values.len());
    let (Some(a), Some(b)) = (before.or(after), after.or(before)) else {
        return;
    };
    let (ta, tb, va, vb) = (time[a], time[b], values[a], values[b]);
    for k in rows.first..=rows.last {
        let f = if tb > ta {
            (time[k] - ta) / (tb - ta)
        } else {
            0.0
        };
        values[k] = va + f * (vb - va);
    }
}

fn wild_currents(samples: &Samples, working: f64) -> Vec<Rows> {
    let (i, u) = (samples.current_a(), samples.voltage_v());
    let limit = WILD * working;
    let mut found: Vec<Rows> = Vec::new();
    if working <= 0.0 {
        return found;
    }
    let mut k = 0;
    while let Some(step) = i[k..].iter().position(|x| x.abs() > limit) {
        let first = k + step;
        let run = i[first..]
            .iter()
            .position(|x| x.abs() <= limit)
            .unwrap_or(i.len() - first);
        let last = first + run - 1;
        k = last + 1;
        let highest = i[first..=last].iter().fold(0.0_f64, |a, x| a.max(x.abs()));
        let before = u[first.saturating_sub(1)];
        let followed = u[first..=last]
            .iter()
            .any(|v| (v - before).abs() > FOLLOWS_PART * before.abs());
        if run <= WILD_ROWS && (highest > IMPOSSIBLE * working || !followed) {
            found.push(Rows { first, last });
        }
        if k >= i.len() {
            break;
        }
    }
    found
}

struct DropOuts {
    bridged: Vec<Rows>,
    fault: Option<RefusalReason>,
}

fn drop_outs(samples: &Samples, i: &[f64], scale: f64, working: f64) -> DropOuts {
    let (t, u) = (samples.time_s(), samples.voltage_v());
    let jump = JUMP_PART * scale;
    let mut found = DropOuts {
        bridged: Vec::new(),
        fault: None,
    };
    // Most traces hold no jump at all; this line sees every row of traces with millions of them.
    if jump <= 0.0 || !u.windows(2).any(|w| (w[1] - w[0]).abs() > jump) {
        return found;
    }
    let unchanged = |a: f64, b: f64| {
        (a - b).abs() <= UNCHANGED * a.abs().max(b.abs()) + phases::LOAD_PART * working
    };
    let in_line = |a: f64, b: f64| (a - b).abs() <= IN_LINE_PART * scale;
    // A jump that did not come back in time, as long as the current stays what it was.
    let mut open: Option<(usize, f64)> = None;
    let mut k = 1;
    while k < u.len() {
        if !unchanged(i[k], i[k - 1]) {
            open = None;
        } else if (u[k] - u[k - 1]).abs() > jump {
            if let Some((row, level)) = open
                && in_line(u[k], level)
            {
                if i[k].abs() > phases::LOAD_PART * working && found.fault.is_none() {
                    found.fault = Some(RefusalReason::DropOutTooLong {
                        row,
                        length: Seconds(t[k] - t[row]),
                    });
                }
                open = None;
            } else {
                let level = u[k - 1];
                let back = (k + 1..u.len())
                    .take_while(|&j| t[j] - t[k] <= DROP_OUT_S && unchanged(i[j], i[k - 1]))
                    .find(|&j| in_line(u[j], level));
                if let Some(j) = back {
                    found.bridged.push(Rows {
                        first: k,
                        last: j - 1,
                    });
                    k = j;
                } else if open.is_none() {
                    open = Some((k, level));
                }
            }
        }
        k += 1;
    }
    found
}

/// Rows of a temperature that are out of range, or leave by more than 20 K and come back within
/// 30 s or three rows.
fn spikes(time: &[f64], values: &[f64]) -> Vec<Rows> {
    let mut found: Vec<Rows> = Vec::new();
    let plain = values
        .iter()
        .all(|v| SENSOR_RANGE_C.contains(v))
        .then(|| crate::trace_results::extremes(values));
    if plain.is_some_and(|(low, high)| high - low <= SPIKE_K) {
        return found;
    }
    let mut good: Option<f64> = None;
    let mut k = 0;
    while k < values.len() {
        let level = good.filter(|g| (values[k] - g).abs() > SPIKE_K);
        let back = level.and_then(|g| {
            (k + 1..values.len())
                .take_while(|&j| j <= k + WILD_ROWS || time[j] - time[k] <= DROP_OUT_S)
                .find(|&j| SENSOR_RANGE_C.contains(&values[j]) && (values[j] - g).abs() <= SPIKE_K)
        });
        let last = match back {
            Some(j) => j - 1,
            None if !SENSOR_RANGE_C.contains(&values[k]) => k,
            None => {
                good = Some(values[k]);
                k += 1;
                continue;
            }
        };
        match found.last_mut() {
            Some(rows) if rows.last + 1 == k => rows.last = last,
            _ => found.push(Rows { first: k, last }),
        }
        k = last + 1;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::SignConvention;
    use proptest::prelude::*;

    /// 600 rows a second apart at 34 A from 26 V down by 1 mV a row, 20 °C.
    fn columns() -> Columns {
        Columns {
            time_s: (0..600).map(f64::from).collect(),
            current_a: vec![-34.0; 600],
            voltage_v: (0..600).map(|k| 26.0 - 1e-3 * f64::from(k)).collect(),
            temperature_c: vec![vec![20.0; 600]],
            ..Columns::default()
        }
    }

    fn samples(columns: Columns) -> Samples {
        Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
    }

    fn kinds(cleaned: &Cleaned<'_>) -> Vec<(NoticeKind, usize, usize)> {
        let all = cleaned.notices.iter();
        all.map(|n| (n.kind, n.row, n.rows)).collect()
    }

    #[test]
    fn clean_samples_are_borrowed_and_nothing_is_told() {
        let s = samples(columns());
        let cleaned = clean(&s, Some(20.0));
        assert!(matches!(cleaned.samples, Cow::Borrowed(_)));
        assert!(cleaned.notices.is_empty());
    }

    #[test]
    fn a_drop_out_is_bridged_by_a_straight_line_and_told_with_row_and_time() {
        let mut c = columns();
        c.voltage_v[300..305].fill(0.0);
        let s = samples(c);
        let cleaned = clean(&s, Some(20.0));
        assert_eq!(kinds(&cleaned), [(NoticeKind::VoltageDropOut, 300, 5)]);
        assert_eq!(cleaned.notices[0].at, Seconds(300.0));
        assert!((cleaned.samples.voltage_v()[302] - 25.698).abs() < 1e-9);
    }

    #[test]
    fn a_drop_out_that_lasts_too_long_is_a_fault() {
        let mut c = columns();
        c.voltage_v[300..340].fill(0.0);
        let s = samples(c);
        let fault = clean(&s, Some(20.0)).fault;
        assert!(
            matches!(fault, Some(RefusalReason::DropOutTooLong { row: 300, .. })),
            "{fault:?}"
        );
    }

    #[test]
    fn a_voltage_that_falls_and_stays_down_is_believed() {
        let mut c = columns();
        c.voltage_v[300..].fill(12.0);
        let s = samples(c);
        let cleaned = clean(&s, Some(20.0));
        assert!(cleaned.notices.is_empty() && cleaned.fault.is_none());
    }

    #[test]
    fn wild_currents_are_bridged_and_a_current_that_the_voltage_follows_is_believed() {
        let mut c = columns();
        c.current_a[300] = -3000.0;
        c.current_a[400..402].fill(150.0);
        let s = samples(c);
        let cleaned = clean(&s, Some(20.0));
        let wild = NoticeKind::WildCurrent;
        assert_eq!(kinds(&cleaned), [(wild, 300, 1), (wild, 400, 2)]);
        assert!(cleaned.samples.current_a().iter().all(|&i| i == -34.0));
        let mut c = columns();
        c.current_a[300] = -150.0;
        c.voltage_v[300] -= 1.5;
        assert!(clean(&samples(c), Some(20.0)).notices.is_empty());
    }

    #[test]
    fn temperature_spikes_are_left_out_and_a_rise_that_stays_is_believed() {
        let mut c = columns();
        c.temperature_c[0][100] = -242.0;
        c.temperature_c[0][101] = 60.0;
        c.temperature_c[0][500..].fill(70.0);
        let s = samples(c);
        let cleaned = clean(&s, Some(20.0));
        let sensor = NoticeKind::TemperatureDropOut { sensor: 0 };
        assert_eq!(kinds(&cleaned), [(sensor, 100, 2)]);
        let column = &cleaned.samples.temperature_c()[0];
        assert_eq!((column[100], column[101], column[599]), (20.0, 20.0, 70.0));
    }

    proptest! {
        #[test]
        fn anything_is_cleaned_without_a_panic_and_stays_finite(
            rows in prop::collection::vec((0.0..100.0_f64, -1e6..1e6_f64, -1e5..1e5_f64, -1e3..1e3_f64), 2..200),
            end in prop::option::of(-5.0..1e3_f64),
        ) {
            let mut time = 0.0;
            let mut c = Columns { temperature_c: vec![Vec::new()], ..Columns::default() };
            for (dt, i, u, temperature) in rows {
                time += dt + 1e-3;
                c.time_s.push(time);
                c.current_a.push(i);
                c.voltage_v.push(u);
                c.temperature_c[0].push(temperature);
            }
            let s = samples(c);
            let cleaned = clean(&s, end);
            prop_assert_eq!(cleaned.samples.rows(), s.rows());
            let all = cleaned.samples.voltage_v().iter().chain(cleaned.samples.current_a());
            prop_assert!(all.chain(&cleaned.samples.temperature_c()[0]).all(|v| v.is_finite()));
        }
    }
}
