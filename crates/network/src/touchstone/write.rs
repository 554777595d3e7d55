//! Writing the standard so that reading gives the same bits back.
//!
//! Always hertz, S, real and imaginary part in the shortest decimal form that reads back exactly,
//! references stated, provenance as comments.

use crate::network::mismatch;
use crate::{Network, NetworkError};
use std::fmt::Write;

/// Edition to write.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WriteVersion {
    /// 2.0: any references, keywords, closing line.
    #[default]
    Two,
    /// 1.0, or 1.1 where ports have different references; the suffix must tell the port count.
    One,
}

/// Most pairs on a version 1 line.
const PAIRS_PER_LINE_MAX: usize = 4;

/// Text of a network. References must be real: the standard cannot hold complex ones.
pub fn write(network: &Network, version: WriteVersion) -> Result<String, NetworkError> {
    let reference_ohm = network.real_reference_ohm()?;
    let mut out = String::new();
    for line in network.provenance() {
        comment(&mut out, line);
    }
    for (i, name) in network.ports().iter().enumerate() {
        comment(&mut out, &format!("port {}: {name}", i + 1));
    }
    match version {
        WriteVersion::Two => version_two(&mut out, network, &reference_ohm),
        WriteVersion::One => version_one(&mut out, network, &reference_ohm)?,
    }
    Ok(out)
}

fn version_two(out: &mut String, network: &Network, reference_ohm: &[f64]) {
    let n = network.n_ports();
    // writing into a string cannot fail
    let _ = writeln!(out, "[Version] 2.0\n# Hz S RI R {}\n[Number of Ports] {n}", reference_ohm[0]);
    if n == 2 {
        out.push_str("[Two-Port Data Order] 12_21\n");
    }
    let _ = writeln!(out, "[Number of Frequencies] {}", network.freq_hz().len());
    if !network.noise().is_empty() {
        let _ = writeln!(out, "[Number of Noise Frequencies] {}", network.noise().len());
    }
    let _ = writeln!(out, "[Reference] {}\n[Network Data]", joined(reference_ohm));
    for (f, s) in network.freq_hz().iter().zip(network.s()) {
        let _ = write!(out, "{f:e}");
        for i in 0..n {
            for value in s.row(i) {
                let _ = write!(out, " {:e} {:e}", value.re, value.im);
            }
            out.push('\n');
        }
    }
    if !network.noise().is_empty() {
        out.push_str("[Noise Data]\n");
        noise(out, network, 1.0);
    }
    out.push_str("[End]\n");
}

fn version_one(out: &mut String, network: &Network, reference_ohm: &[f64]) -> Result<(), NetworkError> {
    let n = network.n_ports();
    let equal = reference_ohm.iter().all(|r| r.total_cmp(&reference_ohm[0]).is_eq());
    let written = if equal { reference_ohm[0].to_string() } else { joined(reference_ohm) };
    let _ = writeln!(out, "# Hz S RI R {written}");
    for (f, s) in network.freq_hz().iter().zip(network.s()) {
        let _ = write!(out, "{f:e}");
        for i in 0..n {
            for j in 0..n {
                let value = if n == 2 { s[(j, i)] } else { s[(i, j)] };
                if n > PAIRS_PER_LINE_MAX && j > 0 && j % PAIRS_PER_LINE_MAX == 0 {
                    out.push('\n');
                }
                let _ = write!(out, " {:e} {:e}", value.re, value.im);
            }
            if n != 2 || i == 1 {
                out.push('\n');
            }
        }
    }
    if let Some(first) = network.noise().first() {
        let last = network.freq_hz().last().copied().unwrap_or_default();
        if first.freq_hz >= last {
            let found = format!("noise from {} Hz and network data up to {last} Hz", first.freq_hz);
            return mismatch("noise that starts below the last network frequency, for version 1", found);
        }
        out.push_str("! noise\n");
        noise(out, network, reference_ohm[0]);
    }
    Ok(())
}

fn noise(out: &mut String, network: &Network, unit_ohm: f64) {
    for p in network.noise() {
        let (magnitude, angle) = (p.gamma_opt.norm(), p.gamma_opt.arg().to_degrees());
        let _ = writeln!(out, "{:e} {:e} {magnitude:e} {angle:e} {:e}", p.freq_hz, p.fmin_db, p.rn_ohm / unit_ohm);
    }
}

/// A comment of legal characters; line ends inside become further comments.
fn comment(out: &mut String, text: &str) {
    for line in text.lines() {
        let legal: String = line.chars().map(|c| if c.is_ascii_graphic() || c == ' ' { c } else { '?' }).collect();
        let _ = writeln!(out, "! {legal}");
    }
}

fn joined(values: &[f64]) -> String {
    values.iter().map(f64::to_string).collect::<Vec<_>>().join(" ")
}
