//! Tells the demo's story: numbered chapters, plain sentences, the commands that were run.

use std::io::{self, IsTerminal, Write};

/// Prints the story to standard output.
#[derive(Debug)]
pub(super) struct Teller {
    chapter: u32,
    colour: bool,
}

impl Teller {
    pub(super) fn new() -> Self {
        let colour = io::stdout().is_terminal() && std::env::var_os("NO_COLOR").is_none();
        Self { chapter: 0, colour }
    }

    /// Begins a chapter.
    pub(super) fn chapter(&mut self, title: &str) {
        self.chapter += 1;
        let (on, off) = self.style(anstyle::Style::new().bold());
        line(&format!("\n{on}{}. {title}{off}", self.chapter));
    }

    /// Says what happened.
    pub(super) fn say(&self, text: &str) {
        for part in text.lines() {
            line(&format!("   {part}"));
        }
    }

    /// Shows a command as a person would type it.
    pub(super) fn command(&self, words: &[String]) {
        let (on, off) = self.style(anstyle::Style::new().dimmed());
        let shown: Vec<String> = words
            .iter()
            .map(|w| {
                if w.contains(' ') {
                    format!("\"{w}\"")
                } else {
                    w.clone()
                }
            })
            .collect();
        line(&format!("   {on}$ carrylog {}{off}", shown.join(" ")));
    }

    fn style(&self, style: anstyle::Style) -> (String, String) {
        if self.colour {
            (style.render().to_string(), style.render_reset().to_string())
        } else {
            Default::default()
        }
    }
}

fn line(text: &str) {
    // A story that nobody reads any more (a closed pipe) goes on in silence.
    let _ = writeln!(io::stdout().lock(), "{text}");
}
