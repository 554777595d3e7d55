//! The process of a design: derivatives against re-solved designs, a killed run resumed, refusals.

use mixwright_project::design::Design;
use mixwright_project::process::DesignProcess;
use mixwright_project::spread::{self, JOURNAL_FILE, SpreadSettings};
use mixwright_project::{Quiet, demo};
use std::path::Path;
use tolerance::Process;

const PROCESS: &str = r#"
[[process]]
name = "C_pad_b+.capacitance"
lot = "3 %"

[[process]]
name = "V27.IS"
lot = "5 mV"
diode = "1.3 mV"

[[process]]
name = "V27.RS"
tile = "6 %"

[[process]]
name = "V27.CJ0"
diode = "1.2 %"

[[process]]
name = "LO level"
law = "uniform"
tile = "0.3 dB"
"#;

/// The demonstration with few operating points and another process.
fn text(process: &str) -> String {
    let all = demo::CIRCUIT_TEXT;
    let own = all.find("[[process]]").expect("the demonstration spreads");
    let after = own + all[own..].find("# ----").expect("a further part");
    let seat_u = all.find("[[plan.seat]]                         # chirp").expect("seat U");
    let seats_end = seat_u + all[seat_u..].find("# ----").expect("a further part");
    let small = format!("{}{}{process}\n{}", &all[..seat_u], &all[seats_end..own], &all[after..]);
    small
        .replace("anchors = 7 ", "anchors = 2 ")
        .replace("spur_orders = { lo = 5, input = 5 }", "spur_orders = { lo = 2, input = 2 }")
}

fn design(process: &str) -> Design {
    Design::parse("d.toml", &text(process), Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn derivatives_are_those_of_resolved_designs() {
    let process = DesignProcess::new(&design(PROCESS), &Quiet).expect("solves");
    let names: Vec<&str> = process.variables().iter().map(|v| v.name.as_str()).collect();
    assert_eq!(names.len(), 1 + 1 + 4 + 1 + 4 + 1, "{names:?}");
    let zero = vec![0.0; names.len()];
    let (values, gradient) = process.differentiate(&zero).expect("solves");
    assert_eq!(values, process.nominal_answers());
    let expansion = process.expand(&zero).expect("solves");
    for name in ["C_pad_b+.capacitance", "V27.IS", "D3.IS", "V27.RS", "D2.CJ0", "LO level"] {
        let k = process.variable(name).expect("declared");
        let h = 0.25 * process.variables()[k].total_sd();
        let at = |steps: f64| {
            let mut x = zero.clone();
            x[k] = steps * h;
            process.solve(&x).expect("solves")
        };
        let (a, b, c, d) = (at(-2.0), at(-1.0), at(1.0), at(2.0));
        let mut scale: f64 = 0.0;
        let mut worst: (f64, f64, f64) = (0.0, 0.0, 0.0);
        for i in 0..values.len() {
            let control = ((c[i] - b[i]) * 8.0 - (d[i] - a[i])) / (12.0 * h);
            scale = scale.max(control.norm());
            worst.0 = worst.0.max((control - gradient[(i, k)]).norm());
            worst.1 = worst.1.max((control - expansion.gradient[(i, k)]).norm());
            let twice = ((b[i] + c[i]) * 16.0 - a[i] - d[i] - values[i] * 30.0) / (12.0 * h * h);
            worst.2 = worst.2.max((twice - expansion.curvature[i][(k, k)]).norm() * h);
        }
        // solutions known to 1e-11 V over steps of a quarter of a standard deviation; the charge has a kink
        assert!(worst.0 < 1e-4 * scale && worst.1 < 1e-4 * scale, "{name}: {worst:?} of {scale}");
        assert!(worst.2 < 2e-3 * scale, "{name}, twice: {worst:?} of {scale}");
    }
}

#[test]
fn a_killed_run_resumes_with_the_same_bits() {
    let design = design(PROCESS);
    let folder = std::env::temp_dir().join(format!("mixwright-spread-{}", std::process::id()));
    let settings = SpreadSettings { units: 64, checks: 4, full_max: 4, share_points: 0, ..SpreadSettings::default() };
    let whole = spread::run(&design, &settings, Some(&folder), &Quiet).expect("solves");
    assert!(whole.from_journal.0 == 0 && whole.from_journal.1 > 4, "{:?}", whole.from_journal);
    // what a kill leaves: some lines, the last one cut
    let path = folder.join(JOURNAL_FILE);
    let journal = std::fs::read_to_string(&path).expect("written");
    let lines: Vec<&str> = journal.lines().collect();
    let cut = format!("{}\n{}", lines[..4].join("\n"), &lines[4][..lines[4].len() / 2]);
    std::fs::write(&path, cut).expect("ours");
    let resumed = spread::run(&design, &settings, Some(&folder), &Quiet).expect("solves");
    assert_eq!(resumed.from_journal, (3, whole.from_journal.1 - 3));
    assert_eq!(format!("{:?}", resumed.spread), format!("{:?}", whole.spread));
    assert_eq!(spread::units_csv(&resumed), spread::units_csv(&whole));
    // a journal of another design is set aside, never mixed
    std::fs::write(&path, "mixwright solutions 1 of another design\n").expect("ours");
    let fresh = spread::run(&design, &settings, Some(&folder), &Quiet).expect("solves");
    assert_eq!(fresh.from_journal, whole.from_journal);
    assert!(path.with_extension("journal.other").is_file());
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
}

/// First line of the refusal of a process.
fn refusal(process: &str) -> String {
    match Design::parse("d.toml", &text(process), Path::new("")) {
        Ok(_) => panic!("accepted: {process}"),
        Err(error) => error.to_string(),
    }
}

#[test]
fn mistakes_in_a_process_are_refused_with_a_way_out() {
    let table = |body: &str| format!("[[process]]\n{body}\n");
    let cases = [
        (table("lot = \"1 %\""), "name a number of the design"),
        (table("name = \"film9.thickness\"\nlot = \"1 %\""), "`film9.thickness` is no number of this design"),
        (table("name = \"film1.thickness\""), "has no spread at any level"),
        (table("name = \"film1.thickness\"\nlot = \"1 furlong\""), "`furlong` is no unit of a spread"),
        (table("name = \"film1.thickness\"\nlot = \"-1 um\""), "zero or more"),
        (table("name = \"film1.thickness\"\nlot = \"1 mV\""), "does not spread in `mV`"),
        (table("name = \"film1.thickness\"\nlot = \"1 um\"\ntile = \"1 %\""), "in one unit"),
        (table("name = \"film1.thickness\"\ndiode = \"1 um\""), "belongs to no diode"),
        (table("name = \"V27.N\"\nlot = \"1 %\""), "a spread of `V27.N` is not supported"),
        (
            table(
                "name = \"V27.IS\"\nlot = \"1 mV\"\ncorrelated = [{ with = \"x\", level = \"lot\", coefficient = 1 }]",
            ),
            "`x` is no variable declared before",
        ),
        (table("name = \"V27.IS\"\nlot = \"1 mV\"\n[[process]]\nname = \"V27.IS\"\nlot = \"1 mV\""), "declared twice"),
    ];
    for (process, expected) in cases {
        let found = refusal(&process);
        assert!(found.contains(expected), "\n--- found\n{found}\n--- expected\n{expected}");
    }
    let none = DesignProcess::new(&design(""), &Quiet).err().expect("nothing spreads").to_string();
    assert!(none.contains("[[process]]"), "{none}");
}
