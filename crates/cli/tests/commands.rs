//! The commands as a user meets them: what is printed where, exit codes, files.

use proof::{CheckValue, Origin};
use serde_json::Value;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

fn mixwright(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_mixwright")).args(arguments).output().expect("the program starts")
}

fn stdout(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A folder of its own for one test, removed at its end.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("mixwright-cli-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&path).expect("a folder for the test");
        Self(path)
    }

    fn file(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).expect("the test can write");
        path.display().to_string()
    }

    fn path(&self, name: &str) -> String {
        self.0.join(name).display().to_string()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // a folder left behind by a failing test is no harm
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

const RING: &str = r#"format = 1
name = "ring"
temperature = "300 K"

[plan]
lo = "10 GHz"
lo_level = "+10 dBm"

[[plan.seat]]
name = "receiver"
direction = "down"
input = ["10.5 GHz", "12 GHz"]
input_level = "-20 dBm"
output = ["0.5 GHz", "2 GHz"]

[[require]]
measure = "conversion_loss"
at_most = "8 dB"

[diode.D]
IS = "0.1 pA"
N = 1.08
RS = "5 ohm"
CJ0 = "60 fF"
VJ = "0.9 V"
FC = 0.9

[circuit]
template = "ring"
model = "D"

[review]
anchors = 2
points = 2
spur_orders = { lo = 2, input = 2 }
"#;

fn data(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data").join(name).display().to_string()
}

#[test]
fn help_names_every_command_and_the_exit_codes() {
    let output = mixwright(&["--help"]);
    assert_eq!(output.status.code(), Some(0));
    let text = stdout(&output);
    for word in ["demo", "review", "check", "fit", "network", "completion", "--json", "--out", "--quiet", "--threads"] {
        assert!(text.contains(word), "help does not name `{word}`:\n{text}");
    }
    assert!(text.contains("130 interrupted"));
}

#[test]
fn a_wrong_command_line_ends_with_2() {
    for arguments in [&["revew"][..], &[], &["review"], &["--threads", "0", "check", "x"], &["fit"]] {
        assert_eq!(mixwright(arguments).status.code(), Some(2), "{arguments:?}");
    }
    let text = stderr(&mixwright(&["fit", "--current", "iv.csv", "--temperature", "25"]));
    assert!(text.contains("temperature is written with one of K, degC"), "{text}");
}

#[test]
fn check_accepts_and_refuses() {
    let folder = Folder::new("check");
    let good = folder.file("ring.toml", RING);
    let output = mixwright(&["check", &good]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stdout(&output).contains("in order\n  template Ring, 4 diodes, 1 seats, 1 limits"), "{}", stdout(&output));

    let bad = folder.file("bad.toml", &RING.replace("\"10 GHz\"", "\"10 um\"").replace("RS =", "R_S ="));
    let output = mixwright(&["check", &bad]);
    assert_eq!(output.status.code(), Some(3));
    assert_eq!(stdout(&output), "");
    let text = stderr(&output);
    // message, file with line and column, the line itself, a mark below it, a way out, the number of problems
    assert!(
        text.contains("`lo`: `10 um` has unit `um`; frequency is written with one of Hz, kHz, MHz, GHz, THz"),
        "{text}"
    );
    assert!(text.contains("bad.toml:6:6"), "{text}");
    assert!(text.contains("6 | lo = \"10 um\""), "{text}");
    let marked = text.lines().position(|l| l.contains("6 | lo = \"10 um\"")).expect("the line is shown");
    let carets = text.lines().nth(marked + 1).expect("a line below");
    assert_eq!(carets.trim_end(), "   :      ^^^|^^^", "{text}"); // below "10 um" with its quotes
    assert!(text.contains("did you mean `RS`?"), "{text}");
    assert!(text.contains("3 problems"), "{text}");
    assert!(!text.contains('\u{1b}'), "colour without a terminal:\n{text}");
}

#[test]
fn errors_are_json_when_asked() {
    let folder = Folder::new("json");
    let bad = folder.file("bad.toml", &RING.replace("\"10 GHz\"", "\"10\""));
    let output = mixwright(&["--json", "check", &bad]);
    assert_eq!(output.status.code(), Some(3));
    let value: Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    assert_eq!(value["ok"], false);
    assert_eq!(value["exit_code"], 3);
    let problem = &value["problems"][0];
    assert_eq!(problem["kind"], "quantity");
    assert_eq!(problem["line"], 6);
    assert_eq!(problem["column"], 6);
}

#[test]
fn a_file_that_is_not_there_ends_with_3() {
    let output = mixwright(&["review", "nowhere.toml"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("cannot read nowhere.toml"), "{}", stderr(&output));
}

#[test]
fn a_review_writes_its_files_and_a_failed_requirement_ends_with_4() {
    let folder = Folder::new("review");
    let strict = RING.replace("at_most = \"8 dB\"", "at_most = \"3 dB\""); // below the bound of ideal switches
    let design = folder.file("ring.toml", &strict);
    let output = mixwright(&["--json", "--threads", "2", "review", &design]);
    assert_eq!(output.status.code(), Some(4), "{}", stderr(&output));
    let value: Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    assert!(value.is_object());
    for name in ["review.html", "review.json", "review.csv", "review.txt", "pictures"] {
        assert!(Path::new(&folder.path("ring-review")).join(name).exists(), "{name} was not written");
    }
    let written = std::fs::read_to_string(folder.path("ring-review/review.json")).expect("written");
    assert_eq!(written.trim_end(), stdout(&output).trim_end());
    let text = std::fs::read_to_string(folder.path("ring-review/review.txt")).expect("written");
    assert!(text.contains("FAIL"), "{text}");
}

#[test]
fn an_interrupt_ends_with_130_and_leaves_nothing() {
    let folder = Folder::new("interrupt");
    let started = Instant::now();
    let mut child = Command::new(env!("CARGO_BIN_EXE_mixwright"))
        .args(["demo", "--out", &folder.path("demo")])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    // the first line on standard error says that the design was written; the review runs from there
    let mut first = [0; 6];
    child.stderr.as_mut().expect("piped").read_exact(&mut first).expect("a line");
    let interrupt = Command::new("kill").args(["-INT", &child.id().to_string()]).status().expect("kill is there");
    assert!(interrupt.success());
    let status = child.wait().expect("the program ends");
    assert_eq!(status.code(), Some(130));
    assert!(started.elapsed() < Duration::from_secs(60), "stopping took {:?}", started.elapsed());
    assert!(!Path::new(&folder.path("demo/review")).exists(), "a review was written");
    let left: Vec<_> = std::fs::read_dir(folder.path("demo")).expect("the demo folder").collect();
    for entry in left {
        let name = entry.expect("an entry").file_name().to_string_lossy().into_owned();
        assert!(!name.contains(".part"), "{name} was left behind");
    }
}

#[test]
fn a_closed_pipe_is_no_error() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_mixwright"))
        .args(["completion", "bash"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
    drop(child.stdout.take());
    let output = child.wait_with_output().expect("the program ends");
    assert_eq!(output.status.code(), Some(0));
    assert_eq!(stderr(&output), "");
}

#[test]
fn completion_knows_the_commands() {
    for shell in ["bash", "zsh", "fish"] {
        let output = mixwright(&["completion", shell]);
        assert_eq!(output.status.code(), Some(0));
        assert!(stdout(&output).contains("network"), "{shell}");
    }
}

#[test]
fn fit_recovers_the_diode_that_made_the_table() {
    let output = mixwright(&[
        "--json",
        "fit",
        "--current",
        &data("iv_synthetic.csv"),
        "--temperature",
        "296.15 K",
        "--voltage-sigma",
        "0.2 mV",
    ]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let value: Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    let parameter = |name: &str| {
        let all = value["parameters"].as_array().expect("a list");
        all.iter().find(|p| p["name"] == name).expect("the parameter")["value"].as_f64().expect("a number")
    };
    let origin = Origin::Derived { how: "weighted linear least squares of V = n Vt ln I + b + RS I on the same table" };
    let because = "the complete law differs from the logarithmic one by IS/I, 2e-6 at the lowest current";
    let check = |what, expected: f64, found| {
        CheckValue { what, expected, within: 1e-5 * expected, because, origin }.check(found);
    };
    check("ideality", 1.150_360_330_429_110_6, parameter("N"));
    check("series resistance, ohm", 6.023_229_761_340_185, parameter("RS"));
    let text = stdout(&mixwright(&["fit", "--capacitance", &data("cv_synthetic.csv")]));
    assert!(text.contains("CJ0") && text.contains("VJ") && text.contains("parallel"), "{text}");
}

#[test]
fn fit_points_at_the_line_of_a_bad_table() {
    let folder = Folder::new("fit");
    let bad = folder.file("iv.csv", "I_A,V_V\n1e-6,0.4\n1e-5,nan\n");
    let output = mixwright(&["fit", "--current", &bad, "--temperature", "25 degC"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("line 3: expected a finite number for `V_V`, found `nan`"), "{}", stderr(&output));
}

#[test]
fn network_surveys_and_converts() {
    let folder = Folder::new("network");
    let file = folder.file("pad.s2p", "# GHz S RI R 50\n1 0 0 0.5 0 0.5 0 0 0\n2 0 0 0.5 0 0.5 0 0 0\n");
    let output = mixwright(&["network", &file, "--convert", "2", "--reference", "75 ohm"]);
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let text = stdout(&output);
    assert!(text.contains("2 ports, 2 frequencies from 1 GHz to 2 GHz"), "{text}");
    assert!(text.contains("largest singular value 0.500000"), "{text}");
    assert!(text.contains("no point at zero frequency"), "{text}");
    let converted = std::fs::read_to_string(folder.path("pad-converted.ts")).expect("written");
    assert!(converted.contains("[Reference] 75 75"), "{converted}");

    let bad = folder.file("bad.s2p", "# GHz S RI R 50\n1 0 0 0.5\n");
    let output = mixwright(&["network", &bad]);
    assert_eq!(output.status.code(), Some(3));
    assert!(stderr(&output).contains("bad.s2p:2:"), "{}", stderr(&output));
}

#[test]
fn a_word_of_a_network_file_gets_its_carets() {
    let folder = Folder::new("carets");
    let file = folder.file("bad.s1p", "# GHz S RI R 50\n1 0 0\n2 0.25 half\n3 0 0\n");
    let output = mixwright(&["network", &file]);
    let text = stderr(&output);
    let lines: Vec<&str> = text.lines().collect();
    let marked = lines.iter().position(|l| l.contains("2 0.25 half")).unwrap_or_else(|| panic!("{text}"));
    let caret = lines[marked + 1].find('^').unwrap_or_else(|| panic!("{text}"));
    assert_eq!(lines[marked].find("half"), Some(caret), "{text}");
    assert!(text.contains("bad.s1p:3:8") && text.contains("found `half`"), "{text}");

    let output = mixwright(&["network", &file, "--json"]);
    let value: serde_json::Value = serde_json::from_str(&stdout(&output)).expect("JSON");
    let problem = &value["problems"][0];
    assert_eq!((problem["line"].as_u64(), problem["column"].as_u64()), (Some(3), Some(8)), "{value}");
}
