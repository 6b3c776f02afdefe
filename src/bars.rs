//! Progress bars on a terminal, and notes anywhere.

use crate::remark;
use globewright::{Progress, Silent};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::sync::Mutex;

/// Times a second that a bar is drawn again; a faster one would only cost time.
const DRAWS_PER_SECOND: u8 = 10;

/// Bars if standard error is a terminal, notes alone if it is not, and nothing if quiet is wanted.
pub fn progress(quiet: bool) -> Box<dyn Progress> {
    match std::io::stderr().is_terminal() {
        _ if quiet => Box::new(Silent),
        false => Box::new(Notes),
        true => Box::new(Bars::default()),
    }
}

/// Notes alone.
struct Notes;

impl Progress for Notes {
    fn start(&self, _stage: &str, _steps: u64) {}
    fn step(&self, _steps: u64) {}
    fn done(&self) {}
    fn note(&self, text: &str) {
        remark(&format!("Note: {text}"));
    }
}

/// One bar at a time, for the stage that runs.
#[derive(Default)]
struct Bars {
    current: Mutex<Option<ProgressBar>>,
}

impl Bars {
    fn with_bar(&self, act: impl FnOnce(&mut Option<ProgressBar>)) {
        // A bar is only decoration: if another thread failed while drawing, stop drawing.
        if let Ok(mut bar) = self.current.lock() {
            act(&mut bar);
        }
    }
}

impl Progress for Bars {
    fn start(&self, stage: &str, steps: u64) {
        let target = ProgressDrawTarget::stderr_with_hz(DRAWS_PER_SECOND);
        let bar = ProgressBar::with_draw_target(Some(steps), target);
        if let Ok(style) = ProgressStyle::with_template("{msg:12} {bar:40} {percent:>3} %  {eta}") {
            bar.set_style(style);
        }
        bar.set_message(stage.to_owned());
        self.with_bar(|current| {
            if let Some(before) = current.replace(bar) {
                before.finish_and_clear();
            }
        });
    }

    fn step(&self, steps: u64) {
        self.with_bar(|current| {
            if let Some(bar) = current {
                bar.inc(steps);
            }
        });
    }

    fn done(&self) {
        self.with_bar(|current| {
            if let Some(bar) = current.take() {
                bar.finish_and_clear();
            }
        });
    }

    fn note(&self, text: &str) {
        self.with_bar(|current| match current {
            Some(bar) => bar.suspend(|| Notes.note(text)),
            None => Notes.note(text),
        });
    }
}
