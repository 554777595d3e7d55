//! What the maker hands out and the customer does with it: pack, open, surround, terminations, intervals, chain.

mod common;

use common::{complaint, run};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

fn json(text: &str) -> Value {
    serde_json::from_str(text).expect("JSON")
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

[[plan.seat]]
name = "transmitter"
direction = "up"
input = ["0.5 GHz", "2 GHz"]
input_level = "-20 dBm"
output = ["10.5 GHz", "12 GHz"]

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
tolerance = "0.2 dB"
product_tolerance = "3 dB"
"#;

/// A folder with one packed model for all tests of this file.
struct Shop {
    folder: PathBuf,
}

impl Shop {
    fn path(&self, name: &str) -> String {
        self.folder.join(name).display().to_string()
    }

    fn file(&self, name: &str, content: impl AsRef<[u8]>) -> String {
        let path = self.folder.join(name);
        std::fs::write(&path, content).expect("the test can write");
        path.display().to_string()
    }

    fn model(&self) -> String {
        self.path("ring.mwmodel")
    }

    fn bytes(&self) -> Vec<u8> {
        std::fs::read(self.folder.join("ring.mwmodel")).expect("the package")
    }
}

fn shop() -> &'static Shop {
    static SHOP: OnceLock<Shop> = OnceLock::new();
    SHOP.get_or_init(|| {
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("customer");
        // of an earlier run
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).expect("a folder for the tests");
        let shop = Shop { folder };
        let design = shop.file("ring.toml", RING);
        let key = shop.path("maker.key");
        run(&["pack", "--new-key", &key, "--maker", "Quillback Converters"], 0);
        let told =
            run(&["pack", &design, "--maker", "Quillback Converters", "--key", &key, "--challenge", "3", "--json"], 0);
        let told = json(&told);
        assert_eq!(told["reproduced"], true, "{told}");
        assert!(told["compared"].as_u64() > Some(20), "{told}");
        assert!(told["largest_difference"].as_f64() <= Some(1e-6), "{told}");
        shop
    })
}

/// Check sum of a zip part (ISO 3309), so that a package can be forged as somebody would.
fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = !0u32;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xedb8_8320 } else { crc >> 1 };
        }
    }
    !crc
}

/// Replaces bytes of the same length everywhere.
fn replaced(bytes: &[u8], from: &[u8], to: &[u8]) -> Vec<u8> {
    assert_eq!(from.len(), to.len());
    let mut out = bytes.to_vec();
    let mut at = 0;
    let mut count = 0;
    while let Some(i) = out[at..].windows(from.len()).position(|w| w == from) {
        out[at + i..at + i + to.len()].copy_from_slice(to);
        at += i + to.len();
        count += 1;
    }
    assert!(count > 0, "nothing to replace");
    out
}

#[test]
fn open_says_intact_and_whose() {
    let shop = shop();
    let text = run(&["open", &shop.model()], 0);
    assert!(
        text.contains(
            "ring.mwmodel: intact\n  signed, and unchanged since: the signer calls himself `Quillback Converters`"
        ),
        "{text}"
    );
    assert!(text.contains("RF 10.500 to 12.000 GHz"), "{text}");
    assert!(text.contains("inside") || text.contains("comes from:"), "{text}");
    let text = run(&["open", &shop.model(), "--trusted", &shop.path("maker.pub")], 0);
    assert!(text.contains("signed by `Quillback Converters`, whose key you trust"), "{text}");
    run(&["pack", "--new-key", &shop.path("other.key"), "--maker", "Somebody"], 0);
    let text = run(&["open", &shop.model(), "--trusted", &shop.path("other.pub")], 4);
    assert!(text.contains("SIGNED BY ANOTHER KEY"), "{text}");
    let told = json(&run(&["open", &shop.model(), "--reproduce", "--json"], 0));
    assert_eq!(told["reproduced"], true);
    assert!(told["largest_difference"].as_f64() <= Some(1e-6), "{told}");
}

#[test]
fn open_tells_changed_hostile_and_future_packages_apart() {
    let shop = shop();
    let bytes = shop.bytes();
    let opened = |name: &str, bytes: &[u8]| complaint(&["open", &shop.file(name, bytes)], 3);
    let mut changed = bytes.clone();
    let middle = changed.len() / 2;
    changed[middle] ^= 0x10;
    let text = opened("changed.mwmodel", &changed);
    assert!(text.contains("no usable model package") && text.contains("changed or damaged"), "{text}");
    // a part that wants to leave its folder
    let last = bytes.windows(9).rposition(|w| w == b"seal.json").expect("its name in the directory");
    let before = bytes[..last].windows(9).rposition(|w| w == b"seal.json").expect("its name before its content");
    let mut escape = bytes.clone();
    for at in [before, last] {
        escape[at..at + 9].copy_from_slice(b"../x.json");
    }
    let text = opened("escape.mwmodel", &escape);
    assert!(text.contains("no usable model package") && text.contains("../x.json"), "{text}");
    let text = opened("short.mwmodel", &bytes[..bytes.len() - 200]);
    assert!(text.contains("no complete zip"), "{text}");
    let text = opened("rubbish.mwmodel", b"not a package at all");
    assert!(text.contains("no complete zip"), "{text}");
    // as a later program would write it, check sums in order
    let (now, later) = (b"mixwright model package, format 1\n", b"mixwright model package, format 7\n");
    let future = replaced(&bytes, now, later);
    let future = replaced(&future, &crc32(now).to_le_bytes(), &crc32(later).to_le_bytes());
    let text = opened("future.mwmodel", &future);
    assert!(text.contains("has format 7, this program reads formats up to 1; update the program"), "{text}");
    let text = complaint(&["open", &shop.path("nowhere.mwmodel")], 3);
    assert!(text.contains("cannot read") && text.contains("nowhere.mwmodel"), "{text}");
}

#[test]
fn one_format_of_keys_signs_models_and_seals() {
    let shop = shop();
    let text = std::fs::read_to_string(shop.folder.join("maker.key")).expect("the key");
    assert!(text.contains("mixwright private signing key 1\nQuillback Converters\n"), "{text}");
    run(&["seal", "--new-key", &shop.path("seal.key"), "--maker", "Quillback Converters"], 0);
    assert!(shop.folder.join("seal.pub").is_file());
    let sealed = std::fs::read_to_string(shop.folder.join("seal.key")).expect("the key");
    assert_eq!(sealed.lines().count(), text.lines().count());
    // existing keys are never overwritten; a public key signs nothing
    let text = complaint(&["seal", "--new-key", &shop.path("seal.key"), "--maker", "Somebody"], 3);
    assert!(text.contains("seal."), "{text}");
    // told before the long work
    for key in ["seal.pub", "maker.pub"] {
        let text = complaint(&["seal", &shop.path("ring.toml"), "--key", &shop.path(key)], 3);
        assert!(text.contains("this is the public key"), "{text}");
        let text = complaint(&["pack", &shop.path("ring.toml"), "--key", &shop.path(key)], 3);
        assert!(text.contains("this is the public key"), "{text}");
    }
}

/// All numbers of a review: key, RF, product, value.
fn readings(review: &Value) -> Vec<(String, String, f64)> {
    fn walk(value: &Value, out: &mut Vec<(String, String, f64)>) {
        match value {
            // a bound is no number
            Value::Object(map) if map.contains_key("quality") && map["quality"]["is_bound"] == true => {}
            Value::Object(map) if map.contains_key("quality") => {
                let value = map["value"].as_f64().unwrap_or(f64::NAN);
                out.push((map["key"].to_string(), map["conditions"]["rf_hz"].to_string(), value));
            }
            Value::Object(map) => map.values().for_each(|v| walk(v, out)),
            Value::Array(list) => list.iter().for_each(|v| walk(v, out)),
            _ => {}
        }
    }
    let mut out = Vec::new();
    walk(&review["summary"], &mut out);
    walk(&review["sections"], &mut out);
    out
}

#[test]
fn the_model_gives_the_numbers_of_the_design_at_points_it_was_not_made_for() {
    let shop = shop();
    // other frequencies and another LO level than those of the package
    let design = RING
        .replace("input = [\"10.5 GHz\", \"12 GHz\"]", "input = [\"10.7 GHz\", \"11.7 GHz\"]")
        .replace("output = [\"0.5 GHz\", \"2 GHz\"]", "output = [\"0.7 GHz\", \"1.7 GHz\"]")
        .replace("lo_level = \"+10 dBm\"", "lo_level = \"+9.5 dBm\"");
    let (before, _) = design.split_once("[[plan.seat]]\nname = \"transmitter\"").expect("two seats");
    let (_, after) = design.split_once("output = [\"10.5 GHz\", \"12 GHz\"]").expect("two seats");
    let design = shop.file("withheld.toml", format!("{before}{after}"));
    let set_up = "format = 1\nname = \"nothing\"\n[plan]\nuse = \"receiver\"\nrf = [\"10.7 GHz\", \"11.7 GHz\"]\nlo_level = \"+9.5 dBm\"\n";
    let set_up = shop.file("nothing.toml", set_up);
    let theirs = json(&run(&["review", &design, "--out", &shop.path("withheld"), "--json"], 0));
    let ours = json(&run(&["surround", &shop.model(), &set_up, "--out", &shop.path("nothing"), "--json"], 0));
    let ours = readings(&ours);
    let mut compared = 0;
    for (key, rf, value) in readings(&theirs) {
        let same = |other: &&(String, String, f64)| other.0 == key && other.1 == rf;
        // a symmetric ring has levels of nothing but rounding
        if value.abs() > 200.0 || value.abs() < 1e-9 || !value.is_finite() {
            continue;
        }
        let near = ours.iter().filter(same).map(|o| (o.2 - value).abs()).fold(f64::INFINITY, f64::min);
        assert!(near <= 1e-6, "{key} at RF {rf}: {value} is missed by {near}");
        compared += 1;
    }
    assert!(compared > 100, "only {compared} numbers compared");
}

#[test]
fn surround_reports_what_parts_change_and_flags_what_is_outside_the_region() {
    let shop = shop();
    let set_up = shop.file(
        "receiver.toml",
        "format = 1\nname = \"warm, behind a pad\"\n[plan]\nuse = \"receiver\"\ntemperature = \"85 degC\"\n\
         [[if]]\npart = \"pad\"\nloss = \"3 dB\"\n",
    );
    let told = json(&run(&["surround", &shop.model(), &set_up, "--out", &shop.path("pad"), "--json"], 0));
    assert_eq!(told["design"], "ring in warm, behind a pad");
    let grid = &told["sections"][0]["items"][0]["content"];
    assert!(grid.to_string().contains("Conversion loss"), "the comparison comes first: {grid}");
    for name in ["review.html", "review.json", "review.csv", "review.txt"] {
        assert!(shop.folder.join("pad").join(name).is_file(), "{name}");
    }
    let flagged = told["findings"].as_array().expect("a list").iter();
    let flagged: Vec<&Value> = flagged.filter(|f| f["place"] == "outside the validity region").collect();
    assert_eq!(flagged.len(), 1, "{flagged:?}");
    assert_eq!(flagged[0]["severity"], "warning");
    let text = flagged[0]["text"].as_str().expect("a text");
    assert!(text.contains("temperature 358.15 K, the region is 300 to 300 K"), "{text}");
}

#[test]
fn surround_refuses_with_the_place_and_a_way_out() {
    let shop = shop();
    let bad = shop.file(
        "bad.toml",
        "format = 1\nname = \"bad\"\n[[rf]]\npart = \"lien\"\nlength = \"1 mm\"\n[[if]]\npart = \"reflection\"\nat = \"imag\"\nmagnitude = 1.3\n[[lo]]\npart = \"pad\"\nloss = \"3 dB\"\ncolour = \"red\"\n",
    );
    let text = complaint(&["surround", &shop.model(), &bad], 3);
    for (what, line, help) in [
        ("lien", "bad.toml:4:8", "did you mean `line`?"),
        ("imag", "bad.toml:8:6", "did you mean `image`?"),
        ("`magnitude` is 1.3", "bad.toml:9:13", "from 0 to 1"),
        ("`colour` is not a key", "bad.toml:13:1", "known here: loss, part"),
    ] {
        assert!(text.contains(what) && text.contains(line) && text.contains(help), "{what} {line} {help}\n{text}");
    }
    // a mark below the word itself
    let shown = text.lines().position(|l| l.contains("4 | part = \"lien\"")).expect("the line is shown");
    assert!(text.lines().nth(shown + 1).is_some_and(|l| l.trim_end().ends_with("^^^|^^") || l.contains("^")), "{text}");
    assert!(text.contains("5 problems"), "{text}");
}

#[test]
fn intervals_call_each_use_by_the_name_of_its_seat() {
    let shop = shop();
    for model in [shop.model(), shop.path("ring.toml")] {
        let told = json(&run(&["intervals", &model, "--without-levels", "--json"], 0));
        let names: Vec<&str> = told.as_array().expect("a list").iter().filter_map(|l| l["name"].as_str()).collect();
        assert_eq!(names, ["receiver, down-conversion", "transmitter, up-conversion"]);
    }
    let text = run(&["intervals", &shop.model()], 0);
    assert!(text.contains("2×2    2 LO − 2 RF") && text.contains("10.5000 … 11.0000"), "{text}");
    // by hand: |56 − 2 f| within 2 to 8 for f from 20 to 26 is 24 to 26
    let bands = ["--input", "20 GHz", "26 GHz", "--lo", "28 GHz", "--output", "2 GHz", "8 GHz"];
    let told = json(&run(&[&["intervals", "--json"][..], &bands].concat(), 0));
    let two: Vec<&Value> =
        told[0]["products"].as_array().expect("a list").iter().filter(|p| p["product"] == "2×2").collect();
    assert_eq!(two.len(), 1);
    assert_eq!((&two[0]["from"], &two[0]["to"]), (&Value::from("24000000000 Hz"), &Value::from("26000000000 Hz")));
    // an up-converter's wanted sum is left out, its difference is not
    let bands = ["--input", "2 GHz", "3 GHz", "--lo", "28 GHz", "--output", "24 GHz", "32 GHz"];
    let text = run(&[&["intervals", "--orders", "1"][..], &bands].concat(), 0);
    assert!(!text.contains("LO + RF") || !text.contains("LO − RF"), "{text}");
}

#[test]
fn terminations_and_chain_tell_what_they_computed() {
    let shop = shop();
    let out = shop.path("terminations");
    let text = run(&["terminations", &shop.model(), "--points", "2", "--checks", "5", "--out", &out], 0);
    for words in ["Small signal: exact ranges", "image at RF", "Envelopes", "Image recovery", "terminations.html"] {
        assert!(text.contains(words), "{words}\n{text}");
    }
    let text = complaint(&["terminations", &shop.model(), "--reflection", "1.2"], 3);
    assert!(text.contains("a reflection above 0, up to 1"), "{text}");
    let row = "format = 1\nname = \"receiver\"\ninput_level = \"-40 dBm\"\n[[stage]]\nname = \"pad\"\nkind = \"pad\"\nloss = \"2 dB\"\n[[stage]]\nname = \"mixer\"\nkind = \"model\"\nfile = \"ring.mwmodel\"\nrf = \"11 GHz\"\n";
    let told = json(&run(&["chain", &shop.file("row.toml", row), "--json"], 0));
    let stages = told["stages"].as_array().expect("stages");
    let number = |i: usize, key: &str| stages[i][key].as_f64().expect("a number");
    assert!((number(1, "gain_db") - (number(0, "stage_gain_db") + number(1, "stage_gain_db"))).abs() < 1e-12);
    // Friis behind a matched pad at 290 K: the figure of the mixer and the loss of the pad add up
    assert!((number(1, "noise_db") - (2.0 + number(1, "stage_noise_db"))).abs() < 0.2, "{told}");
    let text = complaint(&["chain", &shop.file("bad-row.toml", row.replace("\"pad\"\nloss", "\"pda\"\nloss"))], 3);
    assert!(text.contains("bad-row.toml:6:8") && text.contains("did you mean `pad`?"), "{text}");
}
