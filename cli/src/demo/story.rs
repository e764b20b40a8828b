//! The demo's story from the first key to the pages of the server.

use super::fleet::{self, BASES, DAYS, OFFICE, PARTS};
use super::forms;
use super::journey::{Journey, SLOTS, Visit, plan};
use super::random::Random;
use super::stage::Stage;
use super::teller::Teller;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use carrylog_format::instant::Instant;
use clap::Args;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::Child;

/// Play three years of an invented operator through the real programs and real files
///
/// Builds the Fjordline Air Rescue scenario (invented) in a folder, carries it from stations to the
/// records office and back, says what happens, and leaves the server's pages running.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog demo --once")]
pub(crate) struct Demo {
    /// End after the story instead of leaving the server running
    #[arg(long)]
    once: bool,
    /// Folder for the scenario's files; made anew each time
    #[arg(long, default_value = "demo-data", value_name = "DIR")]
    dir: PathBuf,
    /// Address of the server
    #[arg(long, default_value = "127.0.0.1:0", value_name = "ADDRESS")]
    listen: String,
}

/// Plays the demo.
///
/// # Errors
/// [`Failure`] if a step does not do what the story says.
pub(crate) fn run(demo: &Demo, context: &Context) -> Result<Exit, Failure> {
    let now = context.now()?;
    let failed = |message: String| {
        Failure::new(
            Exit::Unexpected,
            format!("the demo stopped: {message}"),
            "report this message",
        )
    };
    let stage = Stage::build(&demo.dir, now).map_err(failed)?;
    let mut story = Story::new(stage, now).map_err(failed)?;
    let server = story.play(&demo.listen);
    // The server must not outlive a story that failed.
    let outcome = server.and_then(|()| story.leave(demo.once));
    story.end();
    outcome.map_err(failed)?;
    Ok(Exit::Done)
}

struct Story {
    stage: Stage,
    teller: Teller,
    journey: Journey,
    visits: Vec<Visit>,
    server: Option<(Child, String)>,
}

/// Day of the mistyped flight hours.
const MISTYPED_DAY: i64 = 380;
/// Day after which a stick lies forgotten in a drawer.
const DRAWER_DAY: i64 = 600;

impl Story {
    fn new(stage: Stage, now: Instant) -> Result<Self, String> {
        let mut random = Random::new(0x00F1_0D11);
        let units = fleet::units(&mut random);
        let visits = plan(&units, &mut random);
        let day = 86_400_000;
        let start = now.millis() - (DAYS + 10) * day;
        let start = Instant::from_millis(start - start % day).map_err(|e| e.to_string())?;
        Ok(Self {
            stage,
            teller: Teller::new(),
            journey: Journey::new(units, random, start),
            visits,
            server: None,
        })
    }

    fn play(&mut self, listen: &str) -> Result<(), String> {
        self.teller.say(
            "Fjordline Air Rescue is invented: its bases, people, aircraft, part numbers and batteries too.",
        );
        self.office()?;
        self.stations()?;
        self.server(listen)?;
        self.years()?;
        self.bad_sticks()?;
        self.looking_back()
    }

    fn office(&mut self) -> Result<(), String> {
        self.teller
            .chapter("The records office makes its key and publishes its limits sheets");
        self.stage.set_clock(self.journey.moment(-5, 420));
        let by = "records office";
        self.stage.show(
            &self.teller,
            by,
            &["authority", "create", "office", "--name", OFFICE],
        )?;
        for part in &PARTS {
            let file = format!("limits-{}.json", part.part);
            let form = forms::limits(part, self.journey.start);
            self.stage.write(&file, form.to_string())?;
            self.stage
                .show(&self.teller, by, &["authority", "limits", "office", &file])?;
        }
        self.stage.run(
            by,
            &[
                "server",
                "init",
                "server",
                "--name",
                "Records office server (invented)",
            ],
        )?;
        self.stage.run(
            by,
            &[
                "authority",
                "enrol",
                "office",
                "--key",
                "server/server.pub.json",
                "--role",
                "server",
            ],
        )?;
        Ok(())
    }

    fn stations(&mut self) -> Result<(), String> {
        self.teller
            .chapter("Three stations get their keys; the office enrols them");
        let by = "records office";
        for base in &BASES {
            let slots = SLOTS.to_string();
            self.stage.show(
                &self.teller,
                base.technician,
                &[
                    "station",
                    "create",
                    base.folder,
                    "--name",
                    base.station,
                    "--slots",
                    &slots,
                    "--authority",
                    "office/authority.pub.json",
                ],
            )?;
            let key = format!("{}/station.pub.json", base.folder);
            self.stage.run(
                by,
                &[
                    "authority",
                    "enrol",
                    "office",
                    "--key",
                    &key,
                    "--role",
                    "station",
                ],
            )?;
        }
        std::fs::create_dir_all(self.stage.path("stick")).map_err(|e| e.to_string())?;
        self.stage.run(
            by,
            &[
                "authority",
                "publish",
                "office",
                "stick/statements.carrylog",
            ],
        )?;
        for (n, base) in BASES.iter().enumerate() {
            self.stage.run(
                base.technician,
                &["station", "adopt", base.folder, "stick/statements.carrylog"],
            )?;
            // Calibrated every year; the demo only needs the one that covers it.
            let due = self.journey.moment(DAYS + 200, 0).date().to_string();
            let number = format!("CAL-{} (invented)", 100 + n);
            self.stage.run(
                base.technician,
                &[
                    "station",
                    "calibrate",
                    base.folder,
                    "--due",
                    &due,
                    "--certificate",
                    &number,
                    "--current-percent",
                    "0.1",
                    "--voltage-percent",
                    "0.05",
                    "--temperature-k",
                    "0.5",
                ],
            )?;
        }
        self.teller.say(
            "Each station took the statements from the stick: it now knows the limits sheets.",
        );
        Ok(())
    }

    fn server(&mut self, listen: &str) -> Result<(), String> {
        self.teller.chapter("The office starts its server");
        let authority = "office/authority.pub.json";
        let words = [
            "server",
            "trust",
            "server",
            "stick/statements.carrylog",
            "--authority",
            authority,
        ];
        let trusted = self
            .stage
            .show_attempt(&self.teller, "records office", &words)?;
        if trusted.code != 0 {
            return Err(trusted.text);
        }
        let mut child = self.stage.spawn(&[
            "server",
            "serve",
            "server",
            "--listen",
            listen,
            "--authority",
            authority,
        ])?;
        let url = address(&mut child)?;
        self.teller.say(&format!("The server listens at {url}."));
        self.server = Some((child, url));
        Ok(())
    }

    fn years(&mut self) -> Result<(), String> {
        self.teller
            .chapter("Three years of checks, carried on sticks");
        let mut rounds = 0;
        let mut shown_capture = false;
        for visit in self.visits.clone() {
            if self.journey.set_aside.contains(&visit.unit) {
                continue;
            }
            let drawer =
                visit.day > DRAWER_DAY && visit.base == 1 && !self.stage.path("drawer").exists();
            if drawer {
                self.drawer(visit.day)?;
            } else if self.journey.taken(visit.base) + 2 > SLOTS {
                self.round(visit.base, visit.day, rounds < 1)?;
                rounds += 1;
            }
            let mistyped = visit.day > MISTYPED_DAY && !self.stage.path("corrected").exists();
            if mistyped {
                self.correction(visit)?;
            } else {
                let captured = self.journey.visit(&mut self.stage, visit, None)?;
                if !shown_capture {
                    shown_capture = true;
                    let unit = &self.journey.units[visit.unit];
                    self.teller.say(&format!(
                        "First test: unit {} s/n {} at {}; entry {} of its log, with a trace of {} rows.",
                        unit.part.part,
                        unit.serial,
                        BASES[visit.base].station,
                        captured.value["entry_index"],
                        captured.value["test"]["computed"]["phases"]
                            .as_array()
                            .and_then(|p| p.last())
                            .map_or(0, |p| p["row_last"].as_u64().unwrap_or(0) + 1),
                    ));
                }
            }
        }
        for base in 0..BASES.len() {
            self.round(base, DAYS, false)?;
            rounds += 1;
        }
        self.teller.say(&format!(
            "{} tests of {} units captured, {rounds} rounds from station to office and back.",
            self.journey.tests,
            fleet::UNITS
        ));
        Ok(())
    }

    /// Stick to the office, answer back, memory free.
    fn round(&mut self, base: usize, day: i64, show: bool) -> Result<(), String> {
        let (folder, by) = (BASES[base].folder, BASES[base].technician);
        self.stage.set_clock(self.journey.clock(base, day, 100));
        let url = self.url()?;
        let stick = format!("stick/{folder}-{day}");
        std::fs::create_dir_all(self.stage.path(&stick)).map_err(|e| e.to_string())?;
        let steps: [&[&str]; 3] = [
            &["pack", folder, &stick],
            &["deliver", &stick, "--to", &url],
            &["settle", folder, &stick],
        ];
        for words in steps {
            if show {
                self.stage.show(&self.teller, by, words)?;
            } else {
                self.stage.run(by, words)?;
            }
        }
        self.journey.freed(base);
        Ok(())
    }

    fn correction(&mut self, visit: Visit) -> Result<(), String> {
        self.teller
            .say("A technician mistypes the flight hours of a test, ten times too many:");
        let right = self.journey.units[visit.unit].flight_hours(visit.day);
        let captured = self
            .journey
            .visit(&mut self.stage, visit, Some(right * 10.0))?;
        let base = &BASES[visit.base];
        let index = captured.value["entry_index"]
            .as_u64()
            .ok_or("capture does not name its entry")?;
        let file = format!("{}/test.json", base.folder);
        let form = std::fs::read_to_string(self.stage.path(&file)).map_err(|e| e.to_string())?;
        let mut form: serde_json::Value = serde_json::from_str(&form).map_err(|e| e.to_string())?;
        form["flight_hours"] = right.into();
        self.stage.write("corrected", form.to_string())?;
        let index = index.to_string();
        let trace = format!("{}/trace.csv", base.folder);
        self.stage.show(
            &self.teller,
            base.technician,
            &[
                "correct",
                base.folder,
                &index,
                "--with",
                "corrected",
                "--trace",
                &trace,
                "--reason",
                "flight hours mistyped, ten times too many",
            ],
        )?;
        self.teller
            .say("The first entry stays in the log for ever; the new one says what holds.");
        Ok(())
    }

    /// Two sticks of one station: the first is forgotten, the second arrives, then the first.
    fn drawer(&mut self, day: i64) -> Result<(), String> {
        let (folder, by) = (BASES[1].folder, BASES[1].technician);
        self.stage.set_clock(self.journey.clock(1, day, 30));
        std::fs::create_dir_all(self.stage.path("drawer")).map_err(|e| e.to_string())?;
        let first = self.stage.run(by, &["pack", folder, "drawer"])?;
        let from = first.value["entry_last"]
            .as_u64()
            .ok_or("pack does not say what it packed")?
            + 1;
        let visit = Visit {
            day,
            unit: 7,
            base: 1,
            first: false,
        };
        self.journey.visit(&mut self.stage, visit, None)?;
        self.teller.say(&format!(
            "A stick with entries up to {} of {} is forgotten in a drawer; the next one starts at {from}:",
            from - 1,
            BASES[1].station
        ));
        let url = self.url()?;
        self.stage.set_clock(self.journey.clock(1, day + 1, 30));
        std::fs::create_dir_all(self.stage.path("stick/second")).map_err(|e| e.to_string())?;
        let from = from.to_string();
        self.stage
            .run(by, &["pack", folder, "stick/second", "--from", &from])?;
        self.stage
            .show(&self.teller, by, &["deliver", "stick/second", "--to", &url])?;
        self.teller
            .say("The office holds it as a gap. Then the drawer is opened:");
        self.stage
            .show(&self.teller, by, &["deliver", "drawer", "--to", &url])?;
        self.stage.run(by, &["settle", folder, "drawer"])?;
        self.journey.freed(1);
        Ok(())
    }

    fn bad_sticks(&mut self) -> Result<(), String> {
        self.teller
            .chapter("A stick delivered twice, and one that was tampered with");
        let by = "records office";
        let url = self.url()?;
        let good = newest(&self.stage.path("stick/second"))?;
        let name = good
            .strip_prefix(self.stage.path(""))
            .unwrap_or(&good)
            .display()
            .to_string();
        self.stage
            .show(&self.teller, by, &["deliver", &name, "--to", &url])?;
        self.teller
            .say("Nothing changed, and the receipt is the same.");
        let mut bytes = std::fs::read(&good).map_err(|e| e.to_string())?;
        let middle = bytes.len() / 3;
        bytes[middle] ^= 0x01;
        self.stage.write("tampered/changed.carrylog", &bytes)?;
        self.teller
            .say(&format!("One bit of byte {middle} is changed in a copy:"));
        let authority = "office/authority.pub.json";
        let verdict = self.stage.show_attempt(
            &self.teller,
            by,
            &[
                "verify",
                "tampered/changed.carrylog",
                "--authority",
                authority,
            ],
        )?;
        if verdict.code != i32::from(Exit::Refused.code()) {
            return Err(format!("a tampered file ended with {}", verdict.code));
        }
        let refused =
            self.stage
                .show_attempt(&self.teller, by, &["deliver", "tampered", "--to", &url])?;
        if refused.code == 0 {
            return Err("the server took a tampered file".into());
        }
        Ok(())
    }

    fn looking_back(&mut self) -> Result<(), String> {
        self.teller
            .chapter("What anyone with the office's public key can check, offline");
        let last = newest(&self.stage.path(&format!("stick/bay-1-{DAYS}")))?;
        let name = last
            .strip_prefix(self.stage.path(""))
            .unwrap_or(&last)
            .display()
            .to_string();
        self.stage.set_clock(self.journey.moment(DAYS + 1, 0));
        self.stage.show(
            &self.teller,
            "quality",
            &["verify", &name, "--authority", "office/authority.pub.json"],
        )?;
        self.stage.show(
            &self.teller,
            BASES[0].technician,
            &["slots", BASES[0].folder],
        )?;
        Ok(())
    }

    fn leave(&mut self, once: bool) -> Result<(), String> {
        let url = self.url()?;
        self.teller.chapter("The office's pages");
        if once {
            self.teller.say(&format!(
                "They were at {url}; without --once the server stays."
            ));
            return Ok(());
        }
        self.teller
            .say(&format!("Open {url} in a browser. Ctrl-C ends the server."));
        if let Some((child, _)) = &mut self.server {
            child.wait().map_err(|e| e.to_string())?;
        }
        Ok(())
    }

    fn end(&mut self) {
        if let Some((mut child, _)) = self.server.take() {
            // It may have ended by itself.
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    fn url(&self) -> Result<String, String> {
        self.server
            .as_ref()
            .map(|(_, url)| url.clone())
            .ok_or_else(|| "the server is not running".into())
    }
}

/// The address that the server prints when it is ready.
fn address(child: &mut Child) -> Result<String, String> {
    let stdout = child.stdout.take().ok_or("the server has no output")?;
    let mut lines = BufReader::new(stdout).lines();
    let url = lines
        .by_ref()
        .map_while(Result::ok)
        .find_map(|line| {
            let start = line.find("http://")?;
            line[start..]
                .split_whitespace()
                .next()
                .map(|u| u.trim_end_matches(['/', '.', ',']).to_owned())
        })
        .ok_or("the server did not start")?;
    // Whatever it prints later must not block it.
    std::thread::spawn(move || lines.for_each(drop));
    Ok(url)
}

fn newest(dir: &Path) -> Result<PathBuf, String> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(dir)
        .map_err(|e| format!("{}: {e}", dir.display()))?
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| {
            let name = p.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            name.ends_with(".carrylog") && !name.starts_with("return-")
        })
        .collect();
    files.sort();
    files
        .pop()
        .ok_or_else(|| format!("no file in {}", dir.display()))
}
