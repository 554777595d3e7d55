//! The customer's files: every key that is described is read, every key that is read is described; random terminations
//! stay inside the envelope that is told.

use mixwright_project::design::Design;
use mixwright_project::handover::Model;
use mixwright_project::numerics::{Complex64, Quiet};
use mixwright_project::spec::{Measure, Product};
use mixwright_project::surround::{self, LoSource};
use mixwright_project::sweep::{self, Asked, Case};
use mixwright_project::terminations;
use mixwright_project::{ProjectError, chain};
use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::OnceLock;

const RING: &str = r#"format = 1
name = "ring"
temperature = "300 K"
[plan]
lo = "28 GHz"
lo_level = "+10 dBm"
[[plan.seat]]
name = "D"
direction = "down"
input = ["20 GHz", "26 GHz"]
input_level = "-10 dBm"
output = ["2 GHz", "8 GHz"]
[[plan.seat]]
name = "U"
direction = "up"
input = ["2 GHz", "8 GHz"]
input_level = "-10 dBm"
output = ["20 GHz", "26 GHz"]
[diode.D]
IS = "0.1 pA"
N = 1.08
RS = "5 ohm"
CJ0 = "30 fF"
VJ = "0.9 V"
FC = 0.9
[circuit]
template = "ring"
model = "D"
[review]
anchors = 2
points = 2
spur_orders = { lo = 3, input = 3 }
"#;

fn model() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(|| {
        let design = Design::parse("ring.toml", RING, Path::new("")).expect("a sound design");
        surround::model_of(&design, &Quiet).expect("a model")
    })
}

const DOCS: &str = include_str!("../../../docs/surroundings.md");

/// Blocks of a language in the documentation.
fn blocks(language: &str) -> Vec<&'static str> {
    DOCS.split("```").skip(1).step_by(2).filter_map(|b| b.strip_prefix(language)).collect()
}

/// Keys in backticks of the rows of a table with this head.
fn keys_of_table(head: &str) -> Vec<(String, BTreeSet<String>)> {
    let rows = DOCS.split(head).nth(1).expect("the table stands in the documentation");
    let rows = rows.lines().skip(1).skip_while(|l| l.starts_with("| ---")).take_while(|l| l.starts_with('|'));
    let mut out = Vec::new();
    for row in rows {
        let cells: Vec<&str> = row.trim_matches('|').split('|').collect();
        let quoted =
            |cell: &str| -> BTreeSet<String> { cell.split('`').skip(1).step_by(2).map(String::from).collect() };
        let keys = quoted(cells[1]);
        out.extend(quoted(cells[0]).into_iter().map(|kind| (kind, keys.clone())));
    }
    assert!(!out.is_empty());
    out
}

/// Keys that the reader knows at a place, told because a wrong one stands there.
#[track_caller]
fn known<T: std::fmt::Debug>(read: Result<T, ProjectError>) -> BTreeSet<String> {
    let Err(ProjectError::Design(error)) = read else { panic!("a file with a wrong key was read: {read:?}") };
    let told = error.problems.iter().find(|p| p.message.contains("`wwwwww`")).expect("the wrong key is told");
    let list = told.help.strip_prefix("known here: ").expect("the known keys are listed");
    list.split(", ").map(String::from).collect()
}

fn around(text: &str) -> Result<surround::Around, ProjectError> {
    surround::parse("set-up.toml", text, Path::new(""), model())
}

#[test]
fn keys_of_the_parts_are_those_described() {
    let mut parts = 0;
    for (kind, keys) in keys_of_table("| part | keys |") {
        let text = format!("format = 1\nname = \"x\"\n[[rf]]\npart = \"{kind}\"\nwwwwww = 1\n");
        let mut read = known(around(&text));
        assert!(read.remove("part"));
        assert_eq!(read, keys, "part `{kind}`");
        parts += 1;
    }
    assert_eq!(parts, 7, "every kind of part has its row");
    for (kind, keys) in keys_of_table("| kind | keys |") {
        let text = format!(
            "format = 1\nname = \"x\"\ninput_level = \"0 dBm\"\n[[stage]]\nname = \"y\"\nkind = \"{kind}\"\nwwwwww = 1\n\
             loss = \"1 dB\"\ngain = \"1 dB\"\nnoise_figure = \"1 dB\"\nfile = \"Cargo.toml\"\n"
        );
        let mut read = known(chain::parse("row.toml", &text, Path::new(env!("CARGO_MANIFEST_DIR")), &Quiet));
        assert!(read.remove("name") && read.remove("kind"));
        assert_eq!(read, keys, "stage `{kind}`");
    }
}

#[test]
fn keys_of_the_tables_stand_in_the_example() {
    let example = blocks("toml").into_iter().find(|b| b.contains("[lo_source]")).expect("an example of a set-up");
    let in_example = |key: &str| {
        example
            .lines()
            .any(|l| l.split('#').next().is_some_and(|l| l.split('=').next().is_some_and(|k| k.trim() == key)))
            || example.contains(&format!("[{key}]"))
    };
    for place in
        ["[plan]\n", "[lo_source]\n", "[[lo_source.harmonic]]\norder = 2\nlevel = \"-20 dBc\"\n", "[end]\n", ""]
    {
        let text = if place.is_empty() {
            "format = 1\nname = \"x\"\nwwwwww = 1\n".to_string()
        } else {
            format!("format = 1\nname = \"x\"\n{place}wwwwww = 1\n")
        };
        for key in known(around(&text)) {
            // the connectors of the end, and the lists of parts, are named in the example one by one
            let shown = in_example(&key) || ["lo", "rf", "harmonic"].contains(&key.as_str());
            assert!(shown, "`{key}` of {place:?} is not in the example");
        }
    }
}

#[test]
fn the_examples_of_the_documentation_are_read() {
    let set_up = blocks("toml").into_iter().find(|b| b.contains("[lo_source]")).expect("an example of a set-up");
    // the example speaks of a use called `D and U`, as this model has one
    let read = around(set_up).expect("the example is sound");
    assert_eq!(read.plan.name, "D and U");
    let row = blocks("toml").into_iter().find(|b| b.contains("[[stage]]")).expect("an example of a row");
    let folder = std::env::temp_dir().join(format!("mixwright-row-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join("qb-k07.toml"), RING).expect("a design in place of the package");
    let row = chain::parse("row.toml", &row.replace("qb-k07.mwmodel", "qb-k07.toml"), &folder, &Quiet);
    let _ = std::fs::remove_dir_all(&folder);
    assert_eq!(row.expect("the example is sound").stages.len(), 3);
}

#[test]
fn a_use_is_found_by_the_name_of_its_seat() {
    let plan = |name: &str| around(&format!("format = 1\nname = \"x\"\n[plan]\nuse = \"{name}\"\n")).map(|a| a.plan);
    assert_eq!(plan("D").expect("a seat").plan.direction, mixwright_project::mixer::Direction::Down);
    assert_eq!(plan("U").expect("a seat").plan.direction, mixwright_project::mixer::Direction::Up);
    assert_eq!(plan("D and U").expect("both").plan.direction, mixwright_project::mixer::Direction::Both);
    let Err(ProjectError::Design(error)) = plan("V") else { panic!("no such use") };
    assert!(error.problems[0].message.contains("no use called `V`"), "{}", error.problems[0].message);
}

#[test]
fn outside_its_region_a_model_flags_or_refuses_as_its_maker_chose() {
    let lo = mixwright_project::handover::point::Lo { hz: 28e9, dbm: 10.0 };
    let case = Case { lo, rf_hz: 19e9, signal_dbm: -10.0, terminations: vec![] };
    let bare = mixwright_project::handover::Surroundings::default();
    let asked = Asked::default();
    let sweep = |model: &Model, temp_k: f64| {
        sweep::run(model, &bare, &LoSource::default(), temp_k, std::slice::from_ref(&case), &asked, &Quiet)
    };
    let (answers, findings) = sweep(model(), 350.0).expect("a flagged answer");
    assert_eq!(answers.len(), 1);
    let texts: Vec<&str> = findings.iter().map(|f| f.text.as_str()).collect();
    assert!(texts.iter().any(|t| t.contains("RF frequency 19 GHz, the region is 20 to 26 GHz")), "{texts:?}");
    assert!(texts.iter().any(|t| t.contains("temperature 350 K, the region is 300 to 300 K")), "{texts:?}");
    let mut strict = model().clone();
    strict.region.policy = mixwright_project::handover::OutsidePolicy::Refuse;
    let text = sweep(&strict, 300.0).expect_err("refused").to_string();
    assert!(text.contains("its maker chose to refuse") && text.contains("RF frequency 19 GHz"), "{text}");
    let hot = around("format = 1\nname = \"hot\"\n[plan]\ntemperature = \"85 degC\"\n").expect("a sound file");
    let text = surround::run(&strict, &hot, &Quiet).expect_err("refused").to_string();
    assert!(text.contains("temperature 358.15 K"), "{text}");
    assert!(surround::mixer_of(model(), &hot).is_ok());
}

#[test]
fn random_terminations_stay_inside_the_envelope_that_is_told() {
    let asked = terminations::Asked { points: 2, checks: 20, length_max_m: 1e-3, ..terminations::Asked::default() };
    let (_, study) = terminations::run(model(), &asked, &Quiet).expect("a study");
    let mut rng = Pcg64::seed_from_u64(5);
    let mut part = |connector: &str, at: &str| {
        let x = |r: &mut Pcg64| (r.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        let (magnitude, phase) = (asked.reflection * x(&mut rng).sqrt(), 360.0 * x(&mut rng));
        format!(
            "[[{connector}]]\npart = \"reflection\"\nat = \"{at}\"\nmagnitude = {magnitude}\nphase = \"{phase} deg\"\n"
        )
    };
    let products = vec![Product::new(2, -2), Product::new(3, -3)];
    let mut compared = 0;
    for _ in 0..12 {
        // in the way a customer writes it; the reflections of a set-up hold over the whole band
        let mut text = "format = 1\nname = \"drawn\"\n".to_string();
        for (connector, at) in [
            ("rf", "image"),
            ("rf", "sum"),
            ("if", "sum"),
            ("if", "if"),
            ("lo", "2lo"),
            ("rf", "2lo"),
            ("lo", "3lo"),
            ("rf", "3lo"),
        ] {
            text.push_str(&part(connector, at));
        }
        let set_up = around(&text).expect("a sound file");
        let rf: BTreeSet<u64> = study.envelopes.iter().map(|e| e.rf_hz.to_bits()).collect();
        let plan = &set_up.plan.plan;
        let lo = mixwright_project::handover::point::Lo { hz: plan.lo_hz, dbm: plan.lo_dbm };
        let case =
            |rf: &u64| Case { lo, rf_hz: f64::from_bits(*rf), signal_dbm: plan.signal_dbm, terminations: vec![] };
        let cases: Vec<Case> = rf.iter().map(case).collect();
        let wanted = Asked { products: products.clone(), orders: (12, 3), ..Asked::default() };
        let (answers, _) =
            sweep::run(model(), &set_up.surroundings, &LoSource::default(), set_up.temp_k, &cases, &wanted, &Quiet)
                .expect("steady states");
        for (case, answer) in cases.iter().zip(&answers) {
            for e in study.envelopes.iter().filter(|e| e.rf_hz.to_bits() == case.rf_hz.to_bits()) {
                let value = match e.measure {
                    Measure::ConversionLoss => answer.full_loss_db.expect("asked for"),
                    Measure::Spur(p) if p == products[0] => answer.products_dbc[0].max(-100.0),
                    Measure::Spur(p) if p == products[1] => answer.products_dbc[1].max(-100.0),
                    _ => continue,
                };
                assert!(
                    value >= e.low && value <= e.high,
                    "{}: {value} outside {} to {}",
                    e.measure.label(),
                    e.low,
                    e.high
                );
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 12 * 2 * 3, "loss and two products at two frequencies");
    let loss = study.envelopes.iter().find(|e| e.measure == Measure::ConversionLoss).expect("a loss");
    assert!(loss.high - loss.low > 1.0 && loss.high - loss.low < 60.0, "an envelope that says something: {loss:?}");
}

#[test]
fn a_swept_reflection_is_the_same_as_one_in_a_file() {
    let m = model();
    let lo = mixwright_project::handover::point::Lo { hz: 28e9, dbm: 10.0 };
    let gamma = Complex64::from_polar(0.6, 1.1);
    let termination = sweep::Termination {
        port: mixwright_project::spec::PortName::Rf,
        freq_hz: sweep::line_hz("image", lo.hz, 23e9).expect("a line"),
        gamma,
    };
    let case = |terminations| Case { lo, rf_hz: 23e9, signal_dbm: -10.0, terminations };
    let asked = Asked { noise: true, band: true, ..Asked::default() };
    let bare = mixwright_project::handover::Surroundings::default();
    let run = |around: &mixwright_project::handover::Surroundings, case: Case| {
        sweep::run(m, around, &LoSource::default(), m.temp_k, &[case], &asked, &Quiet)
            .expect("a steady state")
            .0
            .remove(0)
    };
    let swept = run(&bare, case(vec![termination]));
    let text = format!(
        "format = 1\nname = \"x\"\n[[rf]]\npart = \"reflection\"\nat = \"image\"\nmagnitude = 0.6\nphase = \"{} deg\"\n",
        1.1f64.to_degrees()
    );
    let written = run(&around(&text).expect("a sound file").surroundings, case(vec![]));
    assert!((swept.loss_db - written.loss_db).abs() < 1e-9, "{} {}", swept.loss_db, written.loss_db);
    assert!((swept.noise_db.expect("asked") - written.noise_db.expect("asked")).abs() < 1e-9);
    assert!(swept.loss_band_db.expect("asked") < 0.05, "{:?}", swept.loss_band_db);
    let bare = run(&bare, case(vec![]));
    assert!((bare.loss_db - swept.loss_db).abs() > 1e-3, "the image matters");
}
