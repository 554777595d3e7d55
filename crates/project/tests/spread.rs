//! The process of a design: derivatives against re-solved designs, a killed run resumed, refusals.

use mixwright_project::design::Design;
use mixwright_project::process::DesignProcess;
use mixwright_project::spread::{self, JOURNAL_FILE, SpreadSettings};
use mixwright_project::{Quiet, demo};
use numerics::Complex64;
use spec::{Bound, Figure, Item, Measure, PortName, Review, VerdictStatus};
use std::path::Path;
use tolerance::{Expansion, Process, Sampler, Scheme, Surrogate};

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
        .replace("points = 61 ", "points = 7 ")
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
fn numbers_of_a_diode_model_spread_by_differences_of_full_solutions() {
    let tables = "[[process]]\nname = \"V27.N\"\nlot = \"0.5 %\"\ndiode = \"0.2 %\"\n\
                  [[process]]\nname = \"V27.VJ\"\nlot = \"10 mV\"\n[[process]]\nname = \"V27.M\"\ntile = \"0.01\"\n";
    let process = DesignProcess::new(&design(tables), &Quiet).expect("solves");
    let names: Vec<&str> = process.variables().iter().map(|v| v.name.as_str()).collect();
    assert_eq!(names, ["V27.N", "D1.N", "D2.N", "D3.N", "D4.N", "V27.VJ", "V27.M"]);
    let expansion = process.expand(&[0.0; 7]).expect("solves");
    let surrogate = Surrogate::new(expansion);
    // one variable at a time, a full standard deviation where the differences were taken over half of one
    let nominal = process.nominal_answers();
    for (k, v) in process.variables().iter().enumerate() {
        let mut x = vec![0.0; 7];
        x[k] = v.total_sd();
        let (full, own) = (process.solve(&x).expect("solves"), surrogate.answers(&x));
        let largest =
            |a: &[Complex64], b: &[Complex64]| a.iter().zip(b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        let (error, motion) = (largest(&full, &own), largest(&full, &nominal));
        assert!(motion > 1e-5 && error < 0.01 * motion, "{}: {error} of {motion}", v.name);
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

/// Share of readings of synthetic lots inside the bands, and of units that keep the promises, over all quantities.
///
/// Lots are full solutions drawn apart from the bands: another scheme, another seed.
fn covered(process: &DesignProcess, distributions: &spread::Distributions, lots: u64, units: usize) -> (f64, f64) {
    let sampler = Sampler::new(process.variables(), process.correlations()).expect("possible");
    let nominal = process.measures(&process.nominal_answers());
    let (mut inside, mut kept, mut all) = (0usize, 0usize, 0usize);
    for lot in 0..lots {
        for unit in sampler.draws(Scheme::Plain, units, 7000 + lot) {
            let found = process.measures(&process.solve(&unit.total()).expect("solves"));
            for (q, quantity) in process.quantities().iter().enumerate() {
                let (band, promise) = distributions.of(quantity).expect("answered");
                let (low, high) = band.around(nominal[q]);
                inside += usize::from(found[q] >= low && found[q] <= high);
                kept += usize::from(match promise.bound {
                    Bound::AtLeast(x) => found[q] >= x,
                    Bound::AtMost(x) => found[q] <= x,
                });
                all += 1;
            }
        }
    }
    (inside as f64 / all as f64, kept as f64 / all as f64)
}

#[test]
fn bands_of_the_review_cover_synthetic_lots() {
    let process = DesignProcess::new(&design(PROCESS), &Quiet).expect("solves");
    let zero = vec![0.0; process.variables().len()];
    let (values, gradient) = process.differentiate(&zero).expect("solves");
    let first = Expansion { at: zero, values, gradient, curvature: Vec::new() };
    let distributions = spread::Distributions::new(&process, &Surrogate::new(first)).expect("drawn");
    // 60 units times some twenty quantities; units of one seed share their quantities, so that the aggregate scatters
    // by about 2 %
    let (inside, kept) = covered(&process, &distributions, 10, 6);
    assert!((0.85..=0.95).contains(&inside), "90 % bands cover {inside}");
    assert!(kept >= 0.95, "promises of 98 % are kept by {kept}");
}

#[test]
fn a_review_says_what_its_bands_are_and_judges_by_them() {
    let mut review = project_review(&design(PROCESS));
    let before: Vec<VerdictStatus> = review.verdicts.iter().map(|v| v.status).collect();
    spread::review_bands(&design(PROCESS), &mut review, &Quiet).expect("solves");
    let of = |m: Measure| review.summary.iter().find(|r| r.measure == m).expect("headline").quality.bands.clone();
    let isolation = of(Measure::Isolation { from: PortName::Lo, to: PortName::Rf });
    assert!(of(Measure::ConversionLoss).fabrication.is_some() && of(Measure::Flatness).fabrication.is_some());
    let (band, promise) = (isolation.fabrication.expect("banded"), isolation.promise.expect("made by cancellation"));
    assert!(matches!(promise.bound, Bound::AtLeast(_)) && band.above > 1.2 * band.below, "skewed upwards: {band:?}");
    let asymmetry = isolation.asymmetry.expect("one diode moves it most");
    assert!(asymmetry.name.starts_with('D'), "{asymmetry:?}");
    let section = review.sections.iter().find(|s| s.key == "fabrication").expect("told");
    let Some(Item::Figure(Figure::Grid(rest))) = section.items.last() else { panic!("a table") };
    assert!(rest.rows.iter().any(|r| r[0] == "Input P1dB" && r[2].contains("search over level")), "{rest:?}");
    // a band can only open a question
    for (verdict, before) in review.verdicts.iter().zip(before) {
        assert!(verdict.status == before || verdict.status == VerdictStatus::Undecided, "{verdict:?}");
        if let (true, Some(worst)) = (verdict.status != before, &verdict.worst) {
            let (low, high) = worst.quality.interval(worst.value).expect("known");
            assert!(verdict.limit.margin(low) * verdict.limit.margin(high) <= 0.0, "{verdict:?}");
        }
    }
    // without a process there is nothing to say
    let mut plain = Review::default();
    spread::review_bands(&design(""), &mut plain, &Quiet).expect("nothing spreads");
    assert_eq!(plain, Review::default());
}

fn project_review(design: &Design) -> Review {
    mixwright_project::review::run(design, &Quiet).unwrap_or_else(|e| panic!("{e}"))
}

/// A folder with a technology file and a design that names it; the file spreads by `shared`, the design by `own`.
fn with_technology(shared: &str, own: &str) -> Result<Design, String> {
    static COUNT: std::sync::atomic::AtomicUsize = std::sync::atomic::AtomicUsize::new(0);
    let n = COUNT.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
    let folder = std::env::temp_dir().join(format!("mixwright-shared-{}-{n}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("writable");
    let whole = text(own);
    let stack = whole.find("[stackup]\n").expect("a stack");
    let after = stack + whole[stack..].find("# ----").expect("a further part");
    let technology = whole[stack..after].replace("[stackup]\n", "format = 1\n").replace("stackup.", "");
    std::fs::write(folder.join("foundry.toml"), format!("{technology}\n{shared}")).expect("ours");
    // keys at the top stand before the first table
    let named = whole[..stack].replacen("format = 1\n", "format = 1\ntechnology = \"foundry.toml\"\n", 1);
    let design = Design::parse("d.toml", &format!("{named}{}", &whole[after..]), &folder).map_err(|e| e.to_string());
    std::fs::remove_dir_all(&folder).expect("the folder is ours");
    design
}

#[test]
fn a_technology_file_may_say_what_spreads() {
    let shared = "[[process]]\nname = \"film1.thickness\"\nlot = \"2 %\"\n[[process]]\nname = \"M1.width_bias\"\nlot = \"1 um\"\n";
    let own =
        "[[process]]\nname = \"film1.thickness\"\ntile = \"1 %\"\n[[process]]\nname = \"V27.IS\"\nlot = \"5 mV\"\n";
    let design = with_technology(shared, own).unwrap_or_else(|e| panic!("{e}"));
    let found: Vec<(&str, [f64; 4])> = design.process.iter().map(|p| (p.name.value.as_str(), p.sd)).collect();
    // the design's own table stands in place of the foundry's
    let expected = [
        ("M1.width_bias", [1.0, 0.0, 0.0, 0.0]),
        ("film1.thickness", [0.0, 0.0, 1.0, 0.0]),
        ("V27.IS", [5.0, 0.0, 0.0, 0.0]),
    ];
    assert_eq!(found, expected);
    let table = |body: &str| format!("[[process]]\n{body}\n");
    for (shared, expected) in [
        (table("name = \"V27.IS\"\nlot = \"1 mV\""), "`V27.IS` is no number of this stack"),
        (table("name = \"film1.thickness\"\nlot = \"1 mV\""), "does not spread in `mV`"),
        (table("name = \"film1.thickness\"\ndiode = \"1 um\""), "belongs to no diode"),
        (format!("{0}{0}", table("name = \"registration\"\nlot = \"1 um\"")), "declared twice"),
    ] {
        let found = with_technology(&shared, own).expect_err("refused");
        assert!(found.contains(expected) && found.contains("foundry.toml"), "\n--- found\n{found}\n--- {expected}");
    }
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
        (table("name = \"V27.XTI\"\nlot = \"1 %\""), "a spread of `V27.XTI` is not supported"),
        (table("name = \"V27.VJ\"\nlot = \"1 pF\""), "does not spread in `pF`"),
        (table("name = \"V27.VJ\"\ndiode = \"1 mV\""), "belongs to the model"),
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
