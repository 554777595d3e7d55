//! Reading and writing beyond the stored files: round trips, liberties, error texts, garbled bytes.
//!
//! Rules without a stored file are from memory of the standard and say so in their reason.

mod common;

use common::Noise;
use mixwright_network as network;
use network::touchstone::{
    Fault, ReadSettings, Touchstone, TouchstoneError, WriteVersion, ports_from_name, read, write,
};
use network::{Network, NoisePoint};
use numerics::{CMatrix, Complex64};

fn strict(name: &str, text: &str) -> Result<Touchstone, TouchstoneError> {
    read(text.as_bytes(), &ReadSettings::strict(name))
}

fn lenient(name: &str, text: &str) -> Result<Touchstone, TouchstoneError> {
    read(text.as_bytes(), &ReadSettings::lenient(name))
}

fn remarks(t: &Touchstone) -> Vec<&'static str> {
    t.remarks.iter().map(|r| r.warning.name()).collect()
}

/// Refused when strict, by this name and line.
#[track_caller]
fn refused(name: &str, text: &str, fault: Fault, line: usize) {
    let error = strict(name, text).expect_err("refused");
    assert_eq!((error.fault, error.line), (fault, line), "{error}");
}

#[track_caller]
fn tolerated(name: &str, text: &str, fault: Fault, warning: &str) -> Touchstone {
    assert_eq!(strict(name, text).expect_err("refused when strict").fault, fault);
    let found = lenient(name, text).expect("tolerated");
    assert!(remarks(&found).contains(&warning), "{:?}", remarks(&found));
    found
}

fn random_network(n: usize, noise: &mut Noise) -> Network {
    let freq_hz: Vec<f64> = (0..5).map(|k| f64::from(k) * 1.1e9 / 3.0).collect();
    let s = freq_hz.iter().map(|_| noise.with_sigma(n, 0.9)).collect();
    let reference = (0..n).map(|_| Complex64::from(1.0 + 99.0 * noise.uniform())).collect();
    let ports = (0..n).map(|k| format!("p{k}")).collect();
    Network::new(ports, reference, freq_hz, s).expect("a network")
}

#[test]
fn written_and_read_again_to_the_last_bit() {
    let mut noise = Noise(21);
    for n in 1..=9 {
        let network = random_network(n, &mut noise).noted("made by a test\nwith ünusual text");
        for version in [WriteVersion::Two, WriteVersion::One] {
            let text = write(&network, version).expect("written");
            let name = if version == WriteVersion::One { format!("x.s{n}p") } else { "x.ts".to_owned() };
            let again = strict(&name, &text).expect("legal").to_network().expect("a network");
            assert_eq!(again.s(), network.s(), "{n} ports {version:?}");
            assert_eq!(again.freq_hz(), network.freq_hz());
            assert_eq!(again.reference_ohm(), network.reference_ohm());
            assert!(again.findings().is_empty());
        }
    }
}

#[test]
fn noise_survives_both_ways() {
    let mut noise = Noise(22);
    let point =
        |freq_hz: f64| NoisePoint { freq_hz, fmin_db: 1.25, gamma_opt: Complex64::from_polar(0.4, 2.0), rn_ohm: 17.5 };
    let network = random_network(2, &mut noise).with_noise(vec![point(0.2e9), point(0.9e9)]).expect("a two-port");
    for version in [WriteVersion::Two, WriteVersion::One] {
        let text = write(&network, version).expect("written");
        let again = strict("x.s2p", &text).expect("legal").to_network().expect("a network");
        for (a, b) in again.noise().iter().zip(network.noise()) {
            assert!((a.gamma_opt - b.gamma_opt).norm() < 1e-15 && (a.rn_ohm - b.rn_ohm).abs() < 1e-14);
            assert!((a.freq_hz - b.freq_hz).abs() == 0.0 && (a.fmin_db - b.fmin_db).abs() == 0.0);
        }
        assert_eq!(again.noise().len(), 2);
    }
    let late = random_network(2, &mut noise).with_noise(vec![point(50e9)]).expect("a two-port");
    assert!(write(&late, WriteVersion::One).is_err(), "version 1 tells noise by its falling frequency");
    assert!(random_network(3, &mut noise).with_noise(vec![point(1e9)]).is_err());
}

#[test]
fn complex_references_cannot_be_written() {
    let s = vec![CMatrix::zeros(1, 1)];
    let network = Network::new(vec!["lo".into()], vec![Complex64::new(50.0, 5.0)], vec![1e9], s).expect("a network");
    let text = write(&network, WriteVersion::Two).expect_err("refused").to_string();
    assert!(text.contains("`lo`") && text.contains("renormalise"), "{text}");
}

#[test]
fn parameters_become_the_same_scattering_matrix() {
    // 75 + 25j ohm across a 50-ohm port: S = (Z − 50)/(Z + 50)
    let z = Complex64::new(75.0, 25.0);
    let expected = (z - 50.0) / (z + 50.0);
    let y = z.inv();
    let text = |p: &str, x: Complex64| format!("# GHz {p} RI R 50\n1 {:e} {:e}\n", x.re, x.im);
    for (p, x) in [("S", expected), ("Z", z / 50.0), ("Y", y * 50.0)] {
        let network = strict("x.s1p", &text(p, x)).expect("legal").to_network().expect("a network");
        assert!((network.s()[0][(0, 0)] - expected).norm() < 1e-14, "{p}");
    }
    // ideal transformer of ratio 2: h11 = 0, h12 = 2, h21 = −2, h22 = 0; S11 = (4 − 1)/(4 + 1)
    for (p, row) in [("H", "0 0 -2 0 2 0 0 0"), ("G", "0 0 0.5 0 -0.5 0 0 0")] {
        let text = format!("# GHz {p} RI R 50\n1 {row}\n");
        let s = strict("x.s2p", &text).expect("legal").to_network().expect("a network");
        let s = &s.s()[0];
        assert!((s[(0, 0)] - 0.6).norm() < 1e-14 && (s[(1, 0)] - 0.8).norm() < 1e-14, "{p}: {s:?}");
    }
}

#[test]
fn version_one_normalisation_is_undone_for_g_and_unequal_references() {
    // g11 = G11/R, g22 = G22·R (memory)
    let t = strict("x.s2p", "# Hz G RI R 50\n1 1 0 2 0 3 0 4 0\n").expect("legal");
    let m = &t.matrix[0];
    let near = |a: Complex64, b: f64| assert!((a - b).norm() < 1e-12, "{a} {b}");
    near(m[(0, 0)], 0.02);
    near(m[(1, 0)], 2.0);
    near(m[(0, 1)], 3.0);
    near(m[(1, 1)], 200.0);
    let t = strict("x.s2p", "# Hz Z RI R 50 200\n1 1 0 1 0 1 0 1 0\n").expect("legal");
    assert_eq!(remarks(&t), ["W_NORMALISATION_UNDEFINED"]);
    near(t.matrix[0][(0, 1)], 100.0);
}

#[test]
fn frequencies_keep_their_digits() {
    let t = strict("x.s1p", "# GHz S RI\n0.1 0 0\n0.3 0 0\n28.1 0 0\n2.85E1 0 0\n110.0000001 0 0\n").expect("legal");
    assert_eq!(t.freq_hz, [1e8, 3e8, 28.1e9, 28.5e9, 110000000100.0]);
}

#[test]
fn noise_blocks_of_version_one() {
    let net = "1 .1 0 .2 0 .3 0 .4 0\n5 .1 0 .2 0 .3 0 .4 0\n";
    let head = "# GHz S RI R 50\n";
    let t = strict("x.s2p", &format!("{head}{net}5 1 .5 0 .2\n6 1 .5 0 .2\n")).expect("equal frequency");
    assert_eq!((remarks(&t), t.noise.len()), (vec!["W_NOISE_AT_LAST_FREQUENCY"], 2));
    refused("x.s2p", &format!("{head}{net}6 1 .5 0 .2\n"), Fault::DataCount, 4);
    refused("x.s2p", &format!("{head}{net}2 1 .5 0 .2\n2 1 .5 0 .2\n"), Fault::FreqOrder, 5);
    refused("x.s2p", &format!("{head}{net}2 1 .5 0 .2\n3 1 .5 0\n"), Fault::DataCount, 5);
    refused("x.s2p", &format!("{head}{net}2 .1 0 .2 0 .3 0 .4 0\n"), Fault::FreqOrder, 4);
}

#[test]
fn option_lines() {
    for (line, fault) in [
        ("# GHz MHz", Fault::OptionToken),
        ("# S Z", Fault::OptionToken),
        ("# MA RI", Fault::OptionToken),
        ("# R 50 R 50", Fault::OptionToken),
        ("# GHz S RI 50", Fault::OptionToken),
        ("# GHz S RI R50", Fault::OptionToken),
        ("# GHz S RI R -50", Fault::OptionR),
        ("# GHz S RI R nan", Fault::OptionR),
        ("# GHz S RI R (50,1)", Fault::OptionR),
        ("# GHz S XX R 50", Fault::OptionToken),
    ] {
        refused("x.s1p", &format!("{line}\n1 0 0\n"), fault, 1);
    }
    let error = strict("x.s1p", "#  GHz  Q RI\n1 0 0\n").expect_err("refused");
    assert_eq!(error.columns, Some((9, 9)));
    let t = lenient("x.s1p", "# GHz S RI R75\n1 0 0\n").expect("tolerated");
    assert_eq!((t.reference_ohm, t.remarks.len()), (vec![75.0], 1));
    refused("x.s1p", "! nothing but comments\n\n", Fault::OptionMissing, 2);
    refused("x.s1p", "", Fault::OptionMissing, 1);
    refused("x.s1p", "# GHz\n! no data\n", Fault::DataCount, 1);
}

#[test]
fn port_counts() {
    assert_eq!(ports_from_name("a/b.c/ring.S7P"), Some(7));
    for name in ["x.ts", "x", "x.sp", "x.s0p", "x.s-1p", "x.snp"] {
        assert_eq!(ports_from_name(name), None, "{name}");
    }
    let row = " .1 0 .2 0 .3 0 .4 0\n";
    let four = format!("# GHz S RI\n1{row}{row}{row}{row}2{row}{row}{row}{row}");
    for (text, n) in [("# GHz S RI\n1 .1 0\n2 .1 0\n", 1), (&format!("# GHz S RI\n1{row}2{row}"), 2), (&four, 4)] {
        let t = strict("x.txt", text).expect("shape tells");
        assert_eq!((t.n_ports(), remarks(&t)), (n, vec!["W_PORTS_FROM_SHAPE"]));
    }
    refused("x.txt", "# GHz S RI\n1 .1 0 .2 0\n", Fault::PortsUnknown, 1);
    refused("x.s99999999999999p", "# GHz S RI\n1 .1 0\n", Fault::PortsUnknown, 1);
    let settings = ReadSettings { n_ports: Some(1), ..ReadSettings::strict("x.s2p") };
    assert_eq!(read(b"# GHz S RI\n1 .1 0\n", &settings).expect("the caller knows").n_ports(), 1);
}

#[test]
fn rows_of_version_one() {
    let head = "# GHz S RI\n";
    // a row of three in two lines, a row too many, a row cut off
    refused("x.s3p", &format!("{head}1 0 0 0 0\n 0 0\n"), Fault::DataCount, 2);
    refused("x.s3p", &format!("{head}1 0 0 0 0 0 0\n0 0 0 0 0 0\n"), Fault::DataCount, 3);
    refused("x.s3p", &format!("{head}1 0 0 0 0 0 0\n0 0 0 0 0 0\n2 0 0 0 0 0 0\n"), Fault::DataCount, 4);
    // five ports: four pairs and one, or two and three, but a new row on a new line
    let split = |k: usize| format!("{}\n{}\n", "0 0 ".repeat(k), "0 0 ".repeat(5 - k));
    let rows = |k: usize| split(k).repeat(4);
    for k in [4, 3, 2] {
        let text = format!("{head}1 {}{}", split(k), rows(k));
        assert_eq!(strict("x.s5p", &text).expect("legal").n_ports(), 5);
    }
    refused("x.s5p", &format!("{head}1 {}{}", split(5), rows(4)), Fault::LineTooLong, 2);
    refused("x.s5p", &format!("{head}1 {}\n{}\n", "0 0 ".repeat(4), "0 0 ".repeat(2)), Fault::DataCount, 3);
}

#[test]
fn liberties_of_the_wild_are_tolerated_with_a_remark() {
    let long = "# GHz S RI\n1 .11 0 .12 0 .13 0 .21 0 .22 0 .23 0 .31 0 .32 0 .33 0\n";
    let t = tolerated("x.s3p", long, Fault::LineTooLong, "W_LINE_LAYOUT");
    assert!((t.matrix[0][(1, 2)] - 0.23).norm() < 1e-15);
    let t = tolerated(
        "x.s2p",
        "# GHz S RI\n1 .1 0 .2 0\n .3 0 .4 0\n2 .1 0 .2 0\n .3 0 .4 0\n",
        Fault::DataCount,
        "W_LINE_LAYOUT",
    );
    assert_eq!(t.freq_hz.len(), 2);
    let t = tolerated("x.s1p", "# GHz S RI\n1.0D0 0.5d-1 0\n", Fault::Number, "W_FORTRAN_EXPONENT");
    assert!((t.matrix[0][(0, 0)] - 0.05).norm() < 1e-16);
    let t = tolerated("x.s1p", "# GHz S DB\n1 -inf 0\n", Fault::Number, "W_ZERO_IN_DB");
    assert_eq!(t.matrix[0][(0, 0)], Complex64::default());
    tolerated("x.s1p", "# GHz S RI\n! 50 Ω\n1 0 0\n", Fault::Ascii, "W_NON_ASCII");
    tolerated("x.s1p", "\u{feff}# GHz S RI\n1 0 0\n", Fault::Ascii, "W_NON_ASCII");
    let t = tolerated("x.s1p", "# GHz S RI\n1 .1 0\n1 .2 0\n2 .3 0\n", Fault::FreqOrder, "W_REPEATED_FREQUENCY");
    assert_eq!(t.freq_hz, [1e9, 2e9]);
    assert!((t.matrix[0][(0, 0)] - 0.1).norm() < 1e-16);
    let two = "[Version] 2.0\n# GHz S RI\n[Number of Ports] 1\n[Number of Frequencies] 1\n";
    tolerated("x.ts", &format!("{two}[Network Data]\n1 0 0\n"), Fault::MissingEnd, "W_END_MISSING");
    tolerated("x.ts", &format!("{two}[Network Data]\n1 0 0\n[End]\nmore\n"), Fault::AfterEnd, "W_TEXT_AFTER_END");
    tolerated(
        "x.ts",
        &format!("{two}[Colour] red\n[Network Data]\n1 0 0\n[End]\n"),
        Fault::KeywordUnknown,
        "W_UNKNOWN_KEYWORD",
    );
    tolerated("x.ts", &format!("{two}[Network Data]\n1 0 0\n2 0 0\n[End]\n"), Fault::DataCount, "W_POINT_COUNT");
    // what cannot be guessed stays refused
    assert!(lenient("x.s1p", "1 0 0\n").is_err());
    assert!(lenient("x.s1p", "# GHz S RI\n1 0,5 0\n").is_err());
    assert!(lenient("x.s1p", "# GHz S RI\n1 \u{e9} 0\n").is_err());
}

#[test]
fn keywords_of_version_two() {
    let two = |n: usize, keys: &str, data: &str| {
        format!("[Version] 2.0\n# GHz S RI\n[Number of Ports] {n}\n{keys}[Network Data]\n{data}[End]\n")
    };
    let f1 = "[Number of Frequencies] 1\n";
    for (text, fault, line) in [
        ("[Version] 1.0\n# GHz\n".to_owned(), Fault::Value, 1),
        ("[Version] 2.2\n# GHz\n".to_owned(), Fault::Value, 1),
        ("[Version]\n# GHz\n".to_owned(), Fault::Value, 1),
        ("[Version] 2.0\n".to_owned(), Fault::OptionMissing, 1),
        ("[Version] 2.0\n# GHz S RI R 50 75\n[Number of Ports] 2\n".to_owned(), Fault::OptionRCount, 2),
        ("[Version] 2.0\n# GHz\n[Number of Frequencies] 1\n".to_owned(), Fault::MissingPorts, 3),
        (two(0, f1, "1 0 0\n"), Fault::Value, 3),
        (two(1, "[Number of Frequencies] 0\n", ""), Fault::Value, 4),
        (two(1, "[Number of Frequencies] 1.5\n", ""), Fault::Value, 4),
        (two(1, "[Number of Frequencies] +1\n", "1 0 0\n"), Fault::Value, 4),
        (two(1, &format!("{f1}[Reference] -50\n"), "1 0 0\n"), Fault::Value, 5),
        (two(1, &format!("{f1}[Reference] x\n"), "1 0 0\n"), Fault::Number, 5),
        (two(2, &format!("[Two-Port Data Order] 21\n{f1}"), "1 0 0 0 0 0 0 0 0\n"), Fault::Value, 4),
        (two(1, &format!("{f1}[Network Dat]\n"), "1 0 0\n"), Fault::KeywordUnknown, 5),
        (two(1, &format!("{f1}[Reference 50\n"), "1 0 0\n"), Fault::KeywordUnknown, 5),
        (two(1, &format!("{f1}1 0 0\n"), "1 0 0\n"), Fault::MissingData, 5),
        (two(1, &format!("{f1}[End]\n"), "1 0 0\n"), Fault::MissingData, 5),
        (two(1, f1, "1 0 0\n[Reference] 50\n"), Fault::KeywordOrder, 7),
        (two(1, f1, "1 0 0\n[Network Data]\n"), Fault::KeywordDup, 7),
        (two(1, f1, "1 0 0 2 0 0\n"), Fault::DataCount, 6),
        (two(1, f1, "1 0\n"), Fault::DataCount, 7),
        (two(1, f1, "1 0 0\n2 0 0\n"), Fault::DataCount, 7),
        (two(1, "[Number of Frequencies] 2\n", "2 0 0\n1 0 0\n"), Fault::FreqOrder, 7),
        (two(3, &format!("{f1}[Mixed-Mode Order] D1,2 C2,1 S3\n"), ""), Fault::MixedPair, 5),
        (two(3, &format!("{f1}[Mixed-Mode Order] D1,1 C1,1 S3\n"), ""), Fault::MixedPair, 5),
        (two(3, &format!("{f1}[Mixed-Mode Order] D1,2 C1,2\n"), ""), Fault::MixedPair, 5),
        (two(3, &format!("{f1}[Mixed-Mode Order] D1,4 C1,4 S3\n"), ""), Fault::MixedPair, 5),
        (two(3, &format!("{f1}[Mixed-Mode Order] S1 S1 S3\n"), ""), Fault::MixedPair, 5),
        (two(3, &format!("{f1}[Mixed-Mode Order] D1 C1,2 S3\n"), ""), Fault::Value, 5),
        (two(1, &format!("{f1}[Begin Information]\ntext\n"), "1 0 0\n"), Fault::MissingData, 5),
    ] {
        let error = strict("x.ts", &text).expect_err(&text);
        assert_eq!((error.fault, error.line), (fault, line), "{text}\n{error}");
    }
    let noisy = two(2, &format!("[Two-Port Data Order] 12_21\n{f1}"), "1 0 0 0 0 0 0 0 0\n[Noise Data]\n1 1 0 0 5\n");
    refused("x.ts", &noisy, Fault::MissingNnoise, 8);
    let h = "[Version] 2.0\n# GHz H RI\n[Number of Ports] 3\n";
    refused("x.ts", h, Fault::ParamPorts, 2);
    let suffix = strict("x.s2p", &two(1, f1, "1 0 0\n")).expect("the suffix is advice");
    assert_eq!(remarks(&suffix), ["W_SUFFIX_PORTS"]);
}

#[test]
fn mixed_mode_impedances_become_single_ended() {
    // two 50-ohm resistors to ground: Z_D = v_D/i_D = 100, Z_C = 25 ohm
    let text = "[Version] 2.0\n# GHz Z RI R 50\n[Number of Ports] 2\n[Two-Port Data Order] 12_21\n\
                [Number of Frequencies] 1\n[Mixed-Mode Order] D1,2 C1,2\n[Network Data]\n1 100 0 0 0 0 0 25 0\n[End]\n";
    let network = strict("x.ts", text).expect("legal").to_network().expect("a network");
    assert!(network.s()[0].max_abs() < 1e-15, "both ports are matched: {:?}", network.s());
}

#[test]
fn errors_say_where_what_and_what_next() {
    let error = strict("lot7.s1p", "# GHz S RI\n1 0,5 0\n").expect_err("refused");
    assert_eq!(
        error.to_string(),
        "lot7.s1p, line 2, columns 3-5: expected a decimal number such as `-1.5e-3`, found `0,5`; \
         write a decimal point, and blanks between numbers [E_NUMBER]"
    );
    let error = strict("lot7.s2p", "# GHz S RI\n1 .1 0 .2 0 .3 0 .4\n").expect_err("refused");
    assert!(error.to_string().contains("expected 9 numbers on one line, found 8 numbers"), "{error}");
}

#[test]
fn line_ends_of_all_kinds_count_alike() {
    for end in ["\n", "\r\n", "\r"] {
        let text = ["! a", "# GHz S RI", "1 0 0", "", "x 0 0"].join(end);
        refused("x.s1p", &text, Fault::Number, 5);
    }
}

#[test]
fn garbled_and_cut_off_bytes_never_panic() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/touchstone");
    let mut noise = Noise(23);
    let mut n_read = 0;
    for entry in std::fs::read_dir(folder).expect("there") {
        let path = entry.expect("there").path();
        let name = path.file_name().and_then(|n| n.to_str()).expect("a name").to_owned();
        if name.ends_with("json") {
            continue;
        }
        let whole = std::fs::read(&path).expect("there");
        for lenient in [false, true] {
            let settings = ReadSettings { lenient, ..ReadSettings::strict(&name) };
            for end in 0..whole.len() {
                check_sane(&whole[..end], &settings);
            }
            for _ in 0..200 {
                let mut bytes = whole.clone();
                for _ in 0..1 + (noise.uniform() * 4.0) as usize {
                    let at = (noise.uniform() * bytes.len() as f64) as usize;
                    match (noise.uniform() * 3.0) as usize {
                        0 => bytes[at] = (noise.uniform() * 256.0) as u8,
                        1 => drop(bytes.remove(at)),
                        _ => bytes.insert(at, b" 0123456789.-e[]#!\n"[(noise.uniform() * 19.0) as usize]),
                    }
                    if bytes.is_empty() {
                        break;
                    }
                }
                check_sane(&bytes, &settings);
            }
        }
        n_read += 1;
    }
    assert_eq!(n_read, 65);
}

/// Either an error with a line of the text, or a text whose network can be asked for.
fn check_sane(bytes: &[u8], settings: &ReadSettings) {
    match read(bytes, settings) {
        Err(error) => {
            let n_lines = bytes.iter().filter(|&&b| b == b'\n' || b == b'\r').count() + 1;
            assert!((1..=n_lines).contains(&error.line), "{error}");
        }
        Ok(found) => {
            assert_eq!(found.freq_hz.len(), found.matrix.len());
            // a value such as -1 ohm against 1 ohm has no scattering matrix: an error, not a panic
            let _ = found.to_network();
        }
    }
}
