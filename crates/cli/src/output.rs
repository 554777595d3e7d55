//! Results on standard output, remarks on standard error; a reader that closed the pipe is no error.

use std::io::{ErrorKind, Write};

/// Prints a result. A closed pipe ends the printing quietly.
pub(crate) fn result(text: &str) -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    let written =
        out.write_all(text.as_bytes()).and_then(|()| if text.ends_with('\n') { Ok(()) } else { out.write_all(b"\n") });
    match written.and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Prints a remark for people.
pub(crate) fn remark(text: &str) {
    // nobody listens on standard error: nothing to be done, and the result does not depend on it
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}
