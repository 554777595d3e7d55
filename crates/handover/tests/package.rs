//! A package gives back the same bits, and nothing that was changed passes.

mod common;

use common::{TEMP_K, demo_mixer, demo_model, demo_plan, diode_parameters};
use mixwright_handover::provenance::Link;
use mixwright_handover::seal::{MakerKey, SignatureState, TrustedKey};
use mixwright_handover::{HandoverError, Model, ModelPlan, OutsidePolicy, Table, TableSettings, challenge, open, pack};
use numerics::Quiet;
use std::io::{Cursor, Write};
use std::sync::Arc;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipWriter};

/// A model with a coarse network, so that its package is small.
fn small_model() -> Model {
    let plans = [ModelPlan::new("seat D", demo_plan())];
    let mixer = demo_mixer(TEMP_K);
    let mut model = Model::take(&mixer, &vec![diode_parameters(); 4], &[0.0; 4], &plans, &[], &Quiet).expect("a model");
    struct Borrowed(Arc<balance::Embedding>);
    impl std::fmt::Debug for Borrowed {
        fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.write_str("borrowed")
        }
    }
    impl network::FrequencyResponse for Borrowed {
        fn n_ports(&self) -> usize {
            7
        }
        fn reference_ohm(&self) -> &[f64] {
            &[50.0; 7]
        }
        fn scattering(&self, f: f64) -> Result<numerics::CMatrix, network::NetworkError> {
            Ok(self.0.scattering(f).expect("a circuit"))
        }
    }
    let settings = TableSettings { tolerance: 0.3, ..TableSettings::up_to(5e9) };
    model.network = Arc::new(Table::sample(&Borrowed(mixer.embedding.clone()), &settings, &Quiet).expect("a table"));
    model.maker = "Quillback Converters".into();
    model.about.clear();
    model
}

fn key() -> MakerKey {
    MakerKey::from_random([7; 32], "Quillback Converters")
}

fn origin() -> Vec<Link> {
    vec![Link::to("design", "design file", b"design"), Link::to("field-data", "network data", b"none")]
}

fn package(signed: bool) -> Vec<u8> {
    let key = key();
    pack(&small_model(), &origin(), "mixwright 0.1.0", signed.then_some(&key)).expect("a package")
}

fn problem(result: Result<mixwright_handover::Opened, HandoverError>) -> String {
    result.err().map_or_else(|| "it was opened".into(), |e| e.to_string())
}

#[test]
fn a_package_gives_back_the_same_bits() {
    let mut model = demo_model();
    model.maker = "Quillback Converters".into();
    model.diodes[1].rise_k = 0.1 + 0.2;
    model.region.temp_k = (233.15, 333.15);
    let bytes = pack(&model, &origin(), "mixwright 0.1.0", Some(&key())).expect("a package");
    let opened = open(&bytes, None).expect("opens");
    assert_eq!(opened.model.network.parts(), model.network.parts());
    assert_eq!(opened.model.diodes, model.diodes);
    assert_eq!(opened.model.region, model.region);
    assert_eq!(opened.model.plans, model.plans);
    assert!(bytes.len() < 6_000_000, "{} bytes", bytes.len());
    assert_eq!(pack(&opened.model, &origin(), "mixwright 0.1.0", Some(&key())).expect("again"), bytes);
}

#[test]
fn every_changed_byte_of_a_package_is_found() {
    for signed in [false, true] {
        let bytes = package(signed);
        assert!(open(&bytes, None).is_ok());
        // all of the signed one, a part of the other
        for i in (0..bytes.len()).step_by(if signed { 1 } else { 7 }) {
            let mut changed = bytes.clone();
            // one bit here, all bits there
            changed[i] ^= if i % 2 == 0 { 0x01 } else { 0xff };
            assert!(open(&changed, None).is_err(), "byte {i} of {}", bytes.len());
        }
    }
}

#[test]
fn a_truncated_or_lengthened_package_is_refused() {
    let bytes = package(true);
    for n in (0..bytes.len()).step_by(97).chain(bytes.len() - 40..bytes.len()) {
        assert!(open(&bytes[..n], None).is_err(), "cut to {n}");
    }
    for extra in [&b"x"[..], &[0; 64]] {
        assert!(open(&[&bytes[..], extra].concat(), None).is_err());
        assert!(open(&[extra, &bytes[..]].concat(), None).is_err());
    }
}

#[test]
fn the_signature_is_told_in_plain_words() {
    let unsigned = open(&package(false), None).expect("opens");
    assert_eq!(unsigned.signature, SignatureState::Unsigned);
    assert!(unsigned.signature.words().contains("not signed"));
    let bytes = package(true);
    let trusted = TrustedKey::parse(&key().public_text(), "maker.pub").expect("a public key");
    let state = open(&bytes, Some(&trusted)).expect("opens").signature;
    assert!(matches!(&state, SignatureState::FitsTrustedKey { name, .. } if name == "Quillback Converters"));
    let other = MakerKey::from_random([8; 32], "Quillback Converters");
    let other = TrustedKey::parse(&other.public_text(), "other.pub").expect("a public key");
    let state = open(&bytes, Some(&other)).expect("opens").signature;
    assert!(state.is_suspicious() && state.words().contains("ANOTHER KEY"), "{}", state.words());
    assert!(open(&bytes, None).expect("opens").signature.words().contains("public key file"));
}

#[test]
fn the_private_key_is_nowhere_in_the_package_and_keys_are_not_confused() {
    let bytes = package(true);
    let text = key().private_text();
    let digits = text.lines().last().expect("the key").as_bytes();
    assert!(!bytes.windows(64).any(|w| w == digits));
    assert!(!bytes.windows(32).any(|w| w == [7; 32]));
    assert!(!format!("{:?}", key()).contains("0707"));
    let again = MakerKey::parse(&text, "maker.key", "").expect("a private key");
    assert_eq!(again.sign("x"), key().sign("x"));
    let plain =
        MakerKey::parse(&format!("{}\n", "07".repeat(32)), "plain.key", "Quillback Converters").expect("digits");
    assert_eq!(plain.sign("x"), key().sign("x"));
    let swapped =
        MakerKey::parse(&key().public_text(), "maker.pub", "").expect_err("a public key cannot sign").to_string();
    assert!(swapped.contains("this is the public key"), "{swapped}");
    let swapped = TrustedKey::parse(&text, "maker.key").expect_err("a private key is not for customers").to_string();
    assert!(swapped.contains("private key"), "{swapped}");
    assert!(MakerKey::parse("", "empty", "").is_err() && TrustedKey::parse("rubbish", "x").is_err());
}

/// A signature made over another package does not fit this one.
#[test]
fn a_signature_cannot_be_moved_to_another_package() {
    let (signed, plain) = (package(true), package(false));
    let seal = |bytes: &[u8]| part(bytes, "seal.json");
    let mut model = small_model();
    model.name = "another".into();
    let other = pack(&model, &origin(), "mixwright 0.1.0", None).expect("a package");
    let manifest = part(&other, "manifest.json");
    let hash = blake3::hash(&manifest).to_hex().to_string();
    let before = blake3::hash(&part(&plain, "manifest.json")).to_hex().to_string();
    let moved = String::from_utf8(seal(&signed)).expect("text").replace(&before, &hash);
    let names = ["format.txt", "manifest.json", "network.f64", "provenance.json"];
    let mut parts: Vec<(&str, Vec<u8>)> = names.iter().map(|n| (*n, part(&other, n))).collect();
    parts.push(("seal.json", moved.into_bytes()));
    let text = problem(open(&archive(&parts, CompressionMethod::Stored), None));
    assert!(text.contains("the signature of `Quillback Converters` does not fit"), "{text}");
}

fn part(bytes: &[u8], name: &str) -> Vec<u8> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).expect("a zip file");
    let mut out = Vec::new();
    std::io::Read::read_to_end(&mut archive.by_name(name).expect("the part"), &mut out).expect("reads");
    out
}

fn archive(parts: &[(&str, Vec<u8>)], method: CompressionMethod) -> Vec<u8> {
    let options = SimpleFileOptions::default().compression_method(method).unix_permissions(0o644);
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in parts {
        writer.start_file(*name, options).expect("starts");
        writer.write_all(content).expect("writes");
    }
    writer.finish().expect("ends").into_inner()
}

fn parts() -> Vec<(&'static str, Vec<u8>)> {
    let bytes = package(false);
    ["format.txt", "manifest.json", "network.f64", "provenance.json", "seal.json"]
        .map(|n| (n, part(&bytes, n)))
        .to_vec()
}

#[test]
fn hostile_archives_are_refused() {
    let refused = |parts: &[(&str, Vec<u8>)], method, words: &str| {
        let text = problem(open(&archive(parts, method), None));
        assert!(text.contains(words), "expected `{words}` in: {text}");
    };
    // a bomb: compressed zeros
    let mut bomb = parts();
    bomb[2].1 = vec![0; 300_000_000];
    refused(&bomb, CompressionMethod::Deflated, "compressed");
    // a path that leaves the folder, absolute paths, a part too many, a part twice under two names
    for name in ["../../etc/passwd", "/etc/passwd", "C:\\autoexec.bat", "network.f64/", "Network.f64"] {
        let mut escape = parts();
        escape[2].0 = name;
        refused(&escape, CompressionMethod::Stored, "is called");
    }
    let mut more = parts();
    more.push(("notes.txt", b"hello".to_vec()));
    refused(&more, CompressionMethod::Stored, "6 parts");
    refused(&parts()[..4], CompressionMethod::Stored, "4 parts");
    refused(&[("x", vec![])], CompressionMethod::Stored, "no model package");
    assert!(problem(open(b"", None)).contains("no complete zip"));
    assert!(problem(open(&vec![b'P'; 5000], None)).contains("no complete zip"));
    // absurd sizes told in the directory
    let bytes = package(false);
    let directory = bytes.windows(4).rposition(|w| w == b"PK\x01\x02").expect("a directory");
    for field in [20, 24] {
        let mut lie = bytes.clone();
        lie[directory + field..directory + field + 4].copy_from_slice(&0xffff_fff0u32.to_le_bytes());
        assert!(open(&lie, None).is_err());
    }
    // two entries of one name: the names of the last two parts are made equal in directory and header
    let mut twice = bytes.clone();
    let mut at = 0;
    while let Some(i) = twice[at..].windows(9).position(|w| w == b"seal.json") {
        twice[at + i..at + i + 9].copy_from_slice(b"seal.jsox");
        at += i + 9;
    }
    assert!(open(&twice, None).is_err());
}

#[test]
fn a_later_version_is_refused_in_plain_words() {
    let mut later = parts();
    later[0].1 = b"mixwright model package, format 2\n".to_vec();
    later.push(("something-new.json", b"{}".to_vec()));
    let text = problem(open(&archive(&later, CompressionMethod::Deflated), None));
    // a later version may hold anything, even compressed; its first part is still plain text
    assert!(text.contains("compressed") || text.contains("format 2"), "{text}");
    let text = problem(open(&archive(&later, CompressionMethod::Stored), None));
    assert!(text.contains("has format 2, this program reads formats up to 1; update the program"), "{text}");
}

#[test]
fn outside_its_region_a_model_refuses_or_flags_and_is_never_silent() {
    let mut model = small_model();
    let mut plan = demo_plan();
    assert_eq!(model.check(&plan).expect("inside"), []);
    plan.rf_band_hz = (18e9, 26e9);
    plan.signal_dbm = 13.0;
    let flagged = model.check(&plan).expect("flags");
    assert_eq!(flagged.len(), 3, "{flagged:?}"); // RF, the IF that belongs to it, level
    assert!(flagged[0].text.contains("RF frequency 18 to 26 GHz, the region is 20 to 26 GHz"), "{}", flagged[0].text);
    model.region.policy = OutsidePolicy::Refuse;
    let text = model.check(&plan).expect_err("refuses").to_string();
    assert!(text.contains("its maker chose to refuse: RF frequency 18 to 26 GHz"), "{text}");
    assert!(model.mixer_at(TEMP_K + 40.0).is_err());
    assert!(model.mixer_at(TEMP_K).is_ok());
    model.region.policy = OutsidePolicy::Flag;
    let warm = model.mixer_at(TEMP_K + 40.0).expect("flags");
    assert!(warm.findings.iter().any(|f| f.place == "outside the validity region"));
}

#[test]
fn the_challenge_set_finds_a_model_that_is_not_the_design() {
    let mut model = demo_model();
    model.region.temp_k = (250.0, 330.0);
    let design_at = |temp_k: f64| Ok(demo_mixer(temp_k));
    let good = challenge(&model, &design_at, 1, 6, &Quiet).expect("a comparison");
    assert_eq!(good.worst.len(), 5);
    for (kind, unit, worst) in &good.worst {
        assert!(*worst < 1e-6, "{kind}: {worst} {unit}");
    }
    for d in &mut model.diodes {
        d.parameters.cj0_f *= 1.001;
    }
    let bad = challenge(&model, &design_at, 1, 6, &Quiet).expect("a comparison");
    assert!(bad.worst.iter().all(|(_, _, worst)| *worst > 1e-5), "{:?}", bad.worst);
}
