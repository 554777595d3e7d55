//! Long work: the interpreter is released, progress is told to a callback, Ctrl-C stops it.
//!
//! Input: a job that takes a [`Watch`]. Output: its result, or the exception that stopped it.
//! The job runs in a thread of its own, so that the calling thread, which alone receives signals, is free to look for
//! them and to call back; whatever thread of the job reports a step.

use crate::errors;
use project::{Cancelled, ProjectError, Watch};
use pyo3::prelude::*;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::time::Duration;

/// Signals are looked for at least this often.
const LOOK: Duration = Duration::from_millis(50);
/// Stack of the thread of the job, bytes: that of a usual main thread.
const STACK: usize = 8 << 20;

struct Step {
    what: String,
    done: usize,
    total: usize,
}

struct Listener<'a> {
    stop: &'a AtomicBool,
    steps: Option<Sender<Step>>,
}

impl Watch for Listener<'_> {
    fn step(&self, what: &str, done: usize, total: usize) -> Result<(), Cancelled> {
        if self.stop.load(Ordering::Relaxed) {
            return Err(Cancelled);
        }
        // an unnamed step only asks whether to go on
        if let Some(steps) = self.steps.as_ref().filter(|_| !what.is_empty()) {
            // the receiver outlives the job
            let _ = steps.send(Step { what: what.into(), done, total });
        }
        Ok(())
    }
}

/// Runs a job; `progress` is called as `progress(what, done, total)` on the calling thread.
///
/// # Errors
/// What the job says, what the callback raises, `KeyboardInterrupt` after Ctrl-C.
pub(crate) fn run<T: Send>(
    py: Python<'_>,
    progress: Option<Py<PyAny>>,
    job: impl FnOnce(&dyn Watch) -> Result<T, ProjectError> + Send,
) -> PyResult<T> {
    let flag = AtomicBool::new(false);
    let stop = &flag;
    let (sender, receiver) = mpsc::channel::<Step>();
    let (finished, end) = mpsc::channel::<()>();
    let wants_steps = progress.is_some();
    py.detach(move || {
        std::thread::scope(|scope| {
            let work = move || {
                // dropped when the job ends, however it ends
                let _finished = finished;
                job(&Listener { stop, steps: wants_steps.then_some(sender) })
            };
            let handle = std::thread::Builder::new()
                .stack_size(STACK)
                .spawn_scoped(scope, work)
                .map_err(|error| errors::internal(&format!("no thread for the computation: {error}")))?;
            let mut raised: Option<PyErr> = None;
            let mut tell = |step: Option<Step>| {
                if raised.is_some() {
                    return;
                }
                let outcome = Python::attach(|py| -> PyResult<()> {
                    py.check_signals()?;
                    if let (Some(progress), Some(step)) = (&progress, step) {
                        progress.call1(py, (step.what, step.done, step.total))?;
                    }
                    Ok(())
                });
                if let Err(error) = outcome {
                    stop.store(true, Ordering::Relaxed);
                    raised.get_or_insert(error);
                }
            };
            while let Err(RecvTimeoutError::Timeout) = end.recv_timeout(if wants_steps { LOOK / 10 } else { LOOK }) {
                let mut told = false;
                while let Ok(step) = receiver.try_recv() {
                    tell(Some(step));
                    told = true;
                }
                if !told {
                    tell(None);
                }
            }
            while let Ok(step) = receiver.try_recv() {
                tell(Some(step));
            }
            let result = handle.join();
            match (raised, result) {
                (Some(error), _) => Err(error),
                (None, Ok(result)) => result.map_err(|error| errors::raise(&error)),
                (None, Err(panic)) => Err(errors::internal(&panic_text(panic.as_ref()))),
            }
        })
    })
}

fn panic_text(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied());
    text.unwrap_or("a computation ended without saying why").to_string()
}
