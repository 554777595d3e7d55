//! Progress on standard error, and the wish to stop.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use project::{Cancelled, Watch};
use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// Set by Ctrl-C.
static STOP: AtomicBool = AtomicBool::new(false);

/// The first Ctrl-C asks the computation to stop; the second leaves at once.
pub(crate) fn listen_for_interrupt() {
    let outcome = ctrlc::set_handler(|| {
        if STOP.swap(true, Ordering::SeqCst) {
            std::process::exit(i32::from(crate::EXIT_INTERRUPTED));
        }
    });
    if let Err(error) = outcome {
        crate::output::remark(&format!("Ctrl-C cannot be caught: {error}"));
    }
}

/// Shows the steps of a computation.
pub(crate) struct Progress {
    bar: Option<ProgressBar>,
    /// Name of the last step told, where no bar can be drawn.
    told: Mutex<String>,
    quiet: bool,
}

impl Progress {
    pub(crate) fn new(quiet: bool) -> Self {
        let draw = !quiet && std::io::stderr().is_terminal();
        let bar = draw.then(|| {
            let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
            if let Ok(style) = ProgressStyle::with_template("{msg:28} [{bar:30}] {pos}/{len}  {elapsed}") {
                bar.set_style(style.progress_chars("=> "));
            }
            bar
        });
        Self { bar, told: Mutex::default(), quiet }
    }

    pub(crate) fn finish(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

impl Watch for Progress {
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        if STOP.load(Ordering::SeqCst) {
            return Err(Cancelled);
        }
        // an unnamed step only asks whether to go on
        if what.is_empty() {
            return Ok(());
        }
        if let Some(bar) = &self.bar {
            bar.set_length(total as u64);
            bar.set_position(done as u64);
            bar.set_message(what.to_string());
        } else if !self.quiet
            && let Ok(mut told) = self.told.lock()
            && *told != what
        {
            what.clone_into(&mut told);
            // nobody listens on standard error: nothing to be done, and the result does not depend on it
            let _ = writeln!(std::io::stderr(), "{what} …");
        }
        Ok(())
    }
}
