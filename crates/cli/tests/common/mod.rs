//! The program run as a user runs it.

use std::process::{Command, Output};

pub(crate) fn mixwright(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_mixwright")).arg("--quiet").args(arguments).output().expect("the program starts")
}

/// Standard output of a run that must end with `code`.
#[track_caller]
pub(crate) fn run(arguments: &[&str], code: i32) -> String {
    let output = mixwright(arguments);
    let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(code), "{arguments:?}\n{out}\n{err}");
    out.into_owned()
}

/// Standard error of a run that must end with `code`.
#[track_caller]
pub(crate) fn complaint(arguments: &[&str], code: i32) -> String {
    let output = mixwright(arguments);
    let err = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(code), "{arguments:?}\n{err}");
    assert!(output.stdout.is_empty(), "{}", String::from_utf8_lossy(&output.stdout));
    err
}
