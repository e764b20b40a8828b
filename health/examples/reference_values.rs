//! Answers questions for the cross-check in tests/health_reference.py: reads a JSON list of
//! questions from standard input and prints the list of answers. The script owns the data and the
//! reference values; this program only calls the crate.
#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use carrylog_health::control_chart::individuals;
use carrylog_health::curvature::parabola;
use carrylog_health::fleet::distribution;
use carrylog_health::fleet_prior::prior_with_spread;
use carrylog_health::forecast::Limit;
use carrylog_health::integrate::{EndRule, end_voltage_crossing, moved_to, throughput};
use carrylog_health::local_level::{NOISE_RATIOS, level_over};
use carrylog_health::outlier::deleted_residuals;
use carrylog_health::phases::find_phases;
use carrylog_health::quantity::{Amps, Hertz, Kelvins, Ohms, Seconds, Volts};
use carrylog_health::regression::{Band, Interval, least_squares};
use carrylog_health::resistance::{
    ImpedancePoint, Reading, StepRules, ohmic_resistance, step_reading,
};
use carrylog_health::robust::{modified_z, theil_sen};
use carrylog_health::samples::{Columns, Samples, SignConvention};
use carrylog_health::special::{ln_gamma, normal_cdf, normal_quantile, t_cdf, t_quantile};
use carrylog_health::station_bias::{StationCheck, station_biases};
use carrylog_health::survival::{Life, Lifetime, Weibull, kaplan_meier, range_curve, weibull};
use carrylog_health::trace_results::{TraceRules, trace_results};
use carrylog_health::uncertainty::{self, StationAccuracy};
use serde_json::{Value, json};
use std::error::Error;
use std::io::Read;

type Answer = Result<Value, Box<dyn Error>>;

fn main() -> Result<(), Box<dyn Error>> {
    let mut text = String::new();
    std::io::stdin().read_to_string(&mut text)?;
    let questions: Vec<Value> = serde_json::from_str(&text)?;
    let answers: Vec<Value> = questions
        .iter()
        .map(|q| answer(q).unwrap_or_else(|refusal| json!({ "refused": refusal.to_string() })))
        .collect();
    println!("{}", serde_json::to_string(&answers)?);
    Ok(())
}

fn answer(q: &Value) -> Answer {
    match q["ask"].as_str().unwrap_or_default() {
        "trace" => trace(q),
        "to_first_row_below" => to_first_row_below(q),
        "steps" => steps(q),
        "spectrum" => spectrum(q),
        "discharge_uncertainty" => discharge_uncertainty(q),
        "theil_sen" => {
            let line = theil_sen(
                &numbers(q, "x")?,
                &numbers(q, "y")?,
                number(q, "confidence")?,
            )?;
            Ok(json!([
                line.slope,
                line.intercept,
                line.slope_interval.map(|i| i.low),
                line.slope_interval.map(|i| i.high)
            ]))
        }
        "modified_z" => Ok(json!(modified_z(&numbers(q, "y")?))),
        "least_squares" => least_squares_line(q),
        "deleted_residuals" => {
            let scores = deleted_residuals(&numbers(q, "x")?, &numbers(q, "y")?)?;
            Ok(json!(scores.iter().map(|s| s.score).collect::<Vec<_>>()))
        }
        "local_level" => {
            let (x, y) = (numbers(q, "x")?, numbers(q, "y")?);
            let ratios = match q["ratio"].as_f64() {
                Some(ratio) => vec![ratio],
                None => NOISE_RATIOS.to_vec(),
            };
            let course = level_over(&x, &y, number(q, "noise")?, &ratios)?;
            let at = number(q, "at")?;
            let pair = |i: Interval| [i.low, i.high];
            Ok(json!({
                "mean": course.at(at), "slope": course.slope, "noise": course.noise,
                "level": pair(course.level_interval(at, 0.95)),
                "observation": pair(course.observation_interval(at, 0.95)),
            }))
        }
        "parabola" => {
            let fit = parabola(&numbers(q, "x")?, &numbers(q, "y")?)?;
            let at = number(q, "at")?;
            Ok(json!([
                fit.bend,
                fit.t,
                fit.at(at),
                fit.near_edge(at, Limit::Minimum, 0.95),
                fit.near_edge(at, Limit::Maximum, 0.95)
            ]))
        }
        "fleet_prior" => fleet_prior_of(q),
        "interval_weibull" => {
            let fit = weibull(&intervals(q)?, 0.95)?;
            Ok(weibull_json(&fit))
        }
        "range_curve" => {
            let curve = range_curve(&intervals(q)?)?;
            let times = numbers(q, "at")?;
            let at = times.iter().map(|t| curve.at(*t)).map(|i| [i.low, i.high]);
            Ok(json!(at.collect::<Vec<_>>()))
        }
        "special" => special(q),
        "distribution" => {
            let d = distribution(&numbers(q, "y")?).ok_or("no values")?;
            Ok(json!([
                d.mean,
                d.deviation,
                d.min,
                d.lower_quartile,
                d.median,
                d.upper_quartile,
                d.max
            ]))
        }
        "individuals" => {
            let c = individuals(&numbers(q, "y")?).ok_or("too few values")?;
            Ok(json!([
                c.center,
                c.mean_range,
                c.lower,
                c.upper,
                c.range_upper
            ]))
        }
        "kaplan_meier" => survival_curve(q),
        "weibull" => weibull_fit(q),
        "station_biases" => station_comparison(q),
        other => Err(format!("unknown question «{other}»").into()),
    }
}

fn number(q: &Value, name: &str) -> Result<f64, Box<dyn Error>> {
    q[name]
        .as_f64()
        .ok_or_else(|| format!("{name} is not a number").into())
}

fn numbers(q: &Value, name: &str) -> Result<Vec<f64>, Box<dyn Error>> {
    let list = q[name]
        .as_array()
        .ok_or_else(|| format!("{name} is not a list"))?;
    list.iter()
        .map(|v| {
            v.as_f64()
                .ok_or_else(|| format!("{name} holds no number").into())
        })
        .collect()
}

fn samples(q: &Value) -> Result<Samples, Box<dyn Error>> {
    let columns = Columns {
        time_s: numbers(q, "time")?,
        current_a: numbers(q, "current")?,
        voltage_v: numbers(q, "voltage")?,
        temperature_c: match q["temperature"] {
            Value::Null => Vec::new(),
            _ => vec![numbers(q, "temperature")?],
        },
        ..Columns::default()
    };
    Ok(Samples::parse(columns, SignConvention::PositiveCharges)?)
}

fn rules(q: &Value) -> TraceRules {
    TraceRules {
        end_voltage: q["end_voltage"].as_f64().map(Volts),
        ..TraceRules::default()
    }
}

fn trace(q: &Value) -> Answer {
    let samples = samples(q)?;
    let results = trace_results(&samples, &rules(q));
    let both = throughput(&samples);
    let phases: Vec<Value> = results
        .phases
        .iter()
        .map(|p| {
            json!({
                "kind": format!("{:?}", p.rows.direction),
                "first": p.rows.first, "last": p.rows.last,
                "ah": p.charge.0, "wh": p.energy.0,
            })
        })
        .collect();
    let cycles: Vec<Value> = results
        .cycles
        .iter()
        .map(|c| json!([c.charge_in.0, c.coulombic, c.energy]))
        .collect();
    Ok(json!({
        "phases": phases,
        "cycles": cycles,
        "refused": results.refused.iter().map(|r| r.to_string()).collect::<Vec<_>>(),
        "capacity_ah": results.governing.map(|g| g.capacity.0),
        "energy_wh": results.governing.map(|g| g.energy.0),
        "mean_temperature_c": results.governing.and_then(|g| g.mean_temperature).map(|t| t.0),
        "max_temperature_c": results.temperature.map(|t| t.max.0),
        "charge_20_to_90_s": results.charge_20_to_90.map(|c| c.duration.0),
        "throughput": [both.charge_in.0, both.charge_out.0, both.energy_in.0, both.energy_out.0],
    }))
}

fn to_first_row_below(q: &Value) -> Answer {
    let samples = samples(q)?;
    let whole = samples.whole();
    let crossing = end_voltage_crossing(&whole, number(q, "end_voltage")?, 0.01)
        .ok_or("the end voltage is not reached")?;
    let moved = moved_to(&whole, &crossing, EndRule::FirstRowBelow);
    Ok(json!([-moved.charge.0, -moved.energy.0]))
}

fn steps(q: &Value) -> Answer {
    let samples = samples(q)?;
    let found = find_phases(&samples, &rules(q).phases);
    let reading = match q["delay"].as_f64() {
        Some(delay) => Reading::Delay(Seconds(delay)),
        None => Reading::FirstRow,
    };
    let step = StepRules {
        reading,
        smallest_step: 0.0,
    };
    let rows = numbers(q, "rows")?;
    let ohms: Result<Vec<f64>, _> = rows
        .iter()
        .map(|row| step_reading(&samples, *row as usize, &found, &step).map(|r| r.resistance.0))
        .collect();
    Ok(json!(ohms?))
}

fn spectrum(q: &Value) -> Answer {
    let (f, re, im) = (numbers(q, "f")?, numbers(q, "re")?, numbers(q, "im")?);
    let points = f
        .iter()
        .zip(&re)
        .zip(&im)
        .map(|((f, re), im)| ImpedancePoint {
            frequency: Hertz(*f),
            real: Ohms(*re),
            imaginary: Ohms(*im),
        });
    let points: Vec<ImpedancePoint> = points.collect();
    Ok(json!(ohmic_resistance(&points).ok_or("no crossing")?.0))
}

fn discharge_uncertainty(q: &Value) -> Answer {
    let samples = samples(q)?;
    let results = trace_results(&samples, &rules(q));
    let governing = results.governing.ok_or("no discharge")?;
    let accuracy = StationAccuracy {
        current_relative: number(q, "current_relative")?,
        current_offset: Amps(number(q, "current_offset")?),
        current_resolution: Amps(0.0),
        voltage_relative: number(q, "voltage_relative")?,
        voltage_offset: Volts(number(q, "voltage_offset")?),
        voltage_resolution: Volts(0.0),
        time_relative: number(q, "time_relative")?,
        time_resolution: Seconds(0.0),
        temperature: Kelvins(0.0),
    };
    let phase = &results.phases[governing.phase];
    let u = uncertainty::discharge(&samples, &governing, &accuracy).ok_or("no phase")?;
    // Without the step edges: the script draws errors of the readings only.
    let without_edges = |budget: &uncertainty::Budget| {
        let readings = budget.inputs.iter().filter(|i| !i.name.starts_with("edge"));
        readings
            .map(|i| i.contribution().powi(2))
            .sum::<f64>()
            .sqrt()
    };
    Ok(json!([
        governing.capacity.0,
        governing.energy.0,
        without_edges(&u.capacity_budget),
        without_edges(&u.energy_budget),
        phase.rows.first,
        phase.rows.last,
    ]))
}

fn least_squares_line(q: &Value) -> Answer {
    let line = least_squares(&numbers(q, "x")?, &numbers(q, "y")?)?;
    let at = number(q, "at")?;
    let pair = |i: Interval| [i.low, i.high];
    let crossing = |band| -> Value {
        match q["level"]
            .as_f64()
            .map(|level| line.crossing(level, band, 0.95))
        {
            Some(Ok(c)) => json!([c.at, c.low, c.high]),
            _ => Value::Null,
        }
    };
    Ok(json!({
        "slope": line.slope, "intercept": line.intercept, "slope_error": line.slope_error,
        "intercept_error": line.intercept_error, "residual": line.residual, "at": line.at(at),
        "mean": pair(line.interval(at, Band::Mean, 0.95)),
        "observation": pair(line.interval(at, Band::Observation, 0.95)),
        "crossing_mean": crossing(Band::Mean),
        "crossing_observation": crossing(Band::Observation),
    }))
}

fn special(q: &Value) -> Answer {
    let x = numbers(q, "x")?;
    let df = q["df"].as_f64().unwrap_or(1.0);
    let of = |f: &dyn Fn(f64) -> f64| json!(x.iter().map(|x| f(*x)).collect::<Vec<_>>());
    match q["of"].as_str().unwrap_or_default() {
        "ln_gamma" => Ok(of(&ln_gamma)),
        "normal_cdf" => Ok(of(&normal_cdf)),
        "normal_quantile" => Ok(of(&normal_quantile)),
        "t_cdf" => Ok(of(&|x| t_cdf(x, df))),
        "t_quantile" => Ok(of(&|x| t_quantile(x, df))),
        other => Err(format!("unknown function «{other}»").into()),
    }
}

fn lives(q: &Value) -> Result<Vec<Lifetime>, Box<dyn Error>> {
    let (times, events) = (numbers(q, "time")?, numbers(q, "event")?);
    let pairs = times.into_iter().zip(events);
    Ok(pairs
        .map(|(time, event)| Lifetime {
            time,
            reached: event != 0.0,
        })
        .collect())
}

fn survival_curve(q: &Value) -> Answer {
    let curve = kaplan_meier(&lives(q)?, 0.95)?;
    let steps = curve
        .steps
        .iter()
        .map(|s| [s.time, s.survival, s.interval.low, s.interval.high]);
    Ok(json!({ "steps": steps.collect::<Vec<_>>(), "median": curve.median }))
}

fn weibull_fit(q: &Value) -> Answer {
    let lives: Vec<Life> = lives(q)?.into_iter().map(Life::from).collect();
    Ok(weibull_json(&weibull(&lives, 0.95)?))
}

/// Lives between `after` and `by`; a `by` of 0 is not at its end yet.
fn intervals(q: &Value) -> Result<Vec<Life>, Box<dyn Error>> {
    let (after, by) = (numbers(q, "after")?, numbers(q, "by")?);
    let pairs = after.into_iter().zip(by);
    Ok(pairs
        .map(|(after, by)| {
            if by == 0.0 {
                Life::Beyond { time: after }
            } else {
                Life::Within { after, by }
            }
        })
        .collect())
}

fn fleet_prior_of(q: &Value) -> Answer {
    let (unit, x, y) = (numbers(q, "unit")?, numbers(q, "x")?, numbers(q, "y")?);
    let mut series: Vec<(Vec<f64>, Vec<f64>)> = Vec::new();
    for ((unit, x), y) in unit.iter().zip(x).zip(y) {
        let at = *unit as usize;
        if series.len() <= at {
            series.resize(at + 1, (Vec::new(), Vec::new()));
        }
        series[at].0.push(x);
        series[at].1.push(y);
    }
    let borrowed = series.iter().map(|(x, y)| (x.as_slice(), y.as_slice()));
    let prior = prior_with_spread(borrowed, number(q, "floor")?)?;
    let drawn: Result<Vec<[f64; 2]>, _> = series
        .iter()
        .map(|(x, y)| prior.drawn(x, y).map(|d| [d.slope, d.variance]))
        .collect();
    Ok(json!({
        "slope": prior.slope, "slope_variance": prior.slope_variance,
        "between": prior.between, "residual": prior.residual, "drawn": drawn?,
    }))
}

fn weibull_json(fit: &Weibull) -> Value {
    json!({
        "shape": fit.shape, "scale": fit.scale,
        "shape_error": fit.shape_error, "scale_error": fit.scale_error,
        "log_likelihood": fit.log_likelihood,
        "shape_interval": [fit.shape_interval.low, fit.shape_interval.high],
        "scale_interval": [fit.scale_interval.low, fit.scale_interval.high],
    })
}

fn station_comparison(q: &Value) -> Answer {
    let (unit, station) = (numbers(q, "unit")?, numbers(q, "station")?);
    let (day, capacity) = (numbers(q, "day")?, numbers(q, "capacity")?);
    let checks: Vec<StationCheck> = (0..unit.len())
        .map(|k| StationCheck {
            unit: unit[k] as usize,
            station: station[k] as usize,
            day: day[k],
            capacity: capacity[k],
        })
        .collect();
    let biases = station_biases(&checks, 0.95)?;
    Ok(json!(
        biases
            .iter()
            .map(|b| [b.bias, b.interval.low, b.interval.high])
            .collect::<Vec<_>>()
    ))
}
