//! What leaves the house on paper and for other programs: datasheet and export, from packages and from designs.

mod common;

use common::{complaint, mixwright, run};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

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
reverse_rating = "2.5 V"
current_rating = "20 mA"

[circuit]
template = "ring"
model = "D"

[review]
anchors = 2
points = 3
spur_orders = { lo = 2, input = 2 }
"#;

/// A folder with a design and its package, noise and requirements kept, watermark and expiry told.
fn folder() -> &'static Path {
    static FOLDER: OnceLock<PathBuf> = OnceLock::new();
    FOLDER.get_or_init(|| {
        let path = std::env::temp_dir().join(format!("mixwright-documents-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).expect("a folder for the tests");
        std::fs::write(path.join("ring.toml"), RING).expect("the test can write");
        let design = path.join("ring.toml").display().to_string();
        let out = path.display().to_string();
        let options = [
            "--maker",
            "Maker & Co",
            "--revision",
            "3",
            "--withhold-noise",
            "--hide-requirements",
            "--watermark",
            "for trial only",
            "--expires",
            "2001-02-03",
            "--challenge",
            "2",
        ];
        run(&[&["pack", &design, "--out", &out][..], &options].concat(), 0);
        path
    })
}

fn in_folder(name: &str) -> String {
    folder().join(name).display().to_string()
}

fn text(name: &str) -> String {
    std::fs::read_to_string(folder().join(name)).expect("it was written")
}

#[test]
fn exports_carry_hash_revision_watermark_and_expiry() {
    let out = in_folder("export");
    let said = run(&["export", &in_folder("ring.mwmodel"), "--spur-table", "--pumped", "--out", &out], 0);
    assert_eq!(said.matches("written: ").count(), 3, "{said}");
    let opened: Value = serde_json::from_str(&run(&["--json", "open", &in_folder("ring.mwmodel")], 0)).expect("JSON");
    let hash = opened["name"].as_str().expect("a hash");
    for name in ["export/ring.spurs.csv", "export/ring.pumped.ts", "export/ring.pumped.csv"] {
        let text = text(name);
        for word in [hash, "revision 3", "Maker & Co", "for trial only", "2001-02-03", "it still works", "LO 10 GHz"] {
            assert!(text.contains(word) || (word == "LO 10 GHz" && name.contains("spurs")), "{name}: no `{word}`");
        }
        assert!(text.is_ascii());
        assert!(!text.contains("noise figure") && !text.contains("<= 8"), "{name}: withheld parts");
    }
    let leftovers = std::fs::read_dir(folder().join("export")).expect("a folder").count();
    assert_eq!(leftovers, 3, "no half-written files");
}

/// Frequencies of the table follow from its own indices: n·LO ± m·RF.
#[test]
fn the_spur_table_says_at_which_frequency_each_product_lies() {
    let out = in_folder("spurs");
    run(&["export", &in_folder("ring.toml"), "--spur-table", "--out", &out], 0);
    let text = text("spurs/ring.spurs.csv");
    let rows: Vec<Vec<&str>> = text.lines().filter(|l| !l.starts_with('#')).map(|l| l.split(',').collect()).collect();
    let column = |name: &str| rows[0].iter().position(|h| *h == name).expect("a column");
    let (m, n, kind, f) = (column("m"), column("n"), column("kind"), column("frequency (Hz)"));
    let (lo, rf) = (column("lo (Hz)"), column("rf (Hz)"));
    assert!(rows.len() > 8);
    for row in &rows[1..] {
        let number = |i: usize| row[i].parse::<f64>().expect("a number");
        let sign = if row[kind] == "sum" { 1.0 } else { -1.0 };
        let expected = (number(n) * number(lo) + sign * number(m) * number(rf)).abs();
        assert!((number(f) - expected).abs() < 1.0, "{row:?}");
    }
}

#[test]
fn the_module_is_checked_on_the_command_line() {
    let out = in_folder("module");
    let arguments = ["--json", "export", &in_folder("ring.mwmodel"), "--verilog-a", "--verify", "--out", &out];
    let said: Value = serde_json::from_str(&run(&arguments, 0)).expect("JSON");
    assert_eq!(said["check"]["agrees"], true, "{said:#}");
    assert_eq!(said["fit"]["active_bands"], 0);
    let (module, table) = (text("module/ring.va"), text("module/ring.va-check.csv"));
    assert!(module.contains("module mixer_ring(p_lo, p_rf, p_if, p_ref);") && module.contains("for trial only"));
    assert!(!module.contains("white_noise"), "noise is withheld");
    assert!(table.lines().any(|l| l.starts_with("module,")) && table.lines().any(|l| l.starts_with("network,")));
}

#[test]
fn a_datasheet_of_a_package_is_marked_simulated() {
    let out = in_folder("sheet");
    let said = run(&["datasheet", &in_folder("ring.mwmodel"), "--design", &in_folder("ring.toml"), "--out", &out], 0);
    assert!(said.contains("simulated") && said.contains("written: "), "{said}");
    let html = text("sheet/ring-datasheet.html");
    for word in [
        "for trial only",
        "Noise is withheld",
        "Simulated",
        "it still works",
        "2001-02-03",
        "Maker &amp; Co",
        "2.5 V",
        "LO first",
        "export control",
    ] {
        assert!(html.contains(word), "no `{word}`");
    }
    assert!(!html.contains("Noise figure"), "noise is withheld");
    let pdf = std::fs::read(folder().join("sheet/ring-datasheet.pdf")).expect("it was written");
    assert!(pdf.starts_with(b"%PDF-") && pdf.len() > 20_000);
}

#[test]
fn wrong_files_and_questions_are_refused_before_anything_is_written() {
    let out = in_folder("refused");
    let model = in_folder("ring.mwmodel");
    // nothing asked for, and a check without a module
    assert_eq!(mixwright(&["export", &model, "--out", &out]).status.code(), Some(2));
    assert_eq!(mixwright(&["export", &model, "--pumped", "--verify", "--out", &out]).status.code(), Some(2));
    // no package at all, a damaged one, a later one
    std::fs::write(folder().join("text.mwmodel"), "not a package").expect("written");
    let said = complaint(&["datasheet", &in_folder("text.mwmodel"), "--out", &out], 3);
    assert!(said.contains("model package"), "{said}");
    let mut bytes = std::fs::read(folder().join("ring.mwmodel")).expect("packed");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    std::fs::write(folder().join("damaged.mwmodel"), &bytes).expect("written");
    let said = complaint(&["export", &in_folder("damaged.mwmodel"), "--spur-table", "--out", &out], 3);
    assert!(said.contains("changed"), "{said}");
    // a design that is not the one behind the package
    std::fs::write(folder().join("other.toml"), RING.replace("60 fF", "61 fF")).expect("written");
    let said = complaint(&["datasheet", &model, "--design", &in_folder("other.toml"), "--out", &out], 3);
    assert!(said.contains("provenance"), "{said}");
    // a folder without bench records, a confidence that is none
    std::fs::create_dir_all(folder().join("empty")).expect("made");
    let said = complaint(&["datasheet", &model, "--lots", &in_folder("empty"), "--out", &out], 3);
    assert!(said.contains("bench records"), "{said}");
    let said = complaint(&["datasheet", &model, "--confidence", "100 %", "--out", &out], 3);
    assert!(said.contains("between 0 and 1"), "{said}");
    let said = complaint(&["export", &model, "--verilog-a", "--poles", "5000", "--out", &out], 3);
    assert!(said.contains("5000"), "{said}");
    assert!(!Path::new(&out).exists(), "nothing was written");
}
