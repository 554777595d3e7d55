//! Small-signal scattering around the pumped state between lines of the spectrum, as Touchstone and comma-separated text.
//!
//! Input: a model, a plan. Output: a network whose ports are pairs of a connector and a sideband, over the RF band.
//! Sideband `k` of a signal at the RF `f` lies at `f + k·LO`. Where that is negative the wave is the conjugate of the one
//! at the positive frequency, as in the conversion matrix itself; the texts say which ports that concerns.
//! Method: linear response of the pumped state (see `balance`), LO harmonics as stated; its truncation band is the change
//! from half as many.

use super::{Origin, ascii, cell, commented, ghz, heading};
use crate::point::{IF, IMAGE, Lo, RF, SUM, pump};
use crate::{HandoverError, Model};
use mixer::{Mixer, Plan};
use network::Network;
use network::touchstone::{WriteVersion, write};
use numerics::{CMatrix, Complex64, Watch, parallel};
use spec::PortName;
use std::fmt::Write as _;

/// LO harmonics kept, and half of them for the band.
const LO_ORDERS: (usize, usize) = (32, 16);

/// One port of the export: a connector at one line of the spectrum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PumpedPort {
    /// Connector.
    pub connector: PortName,
    /// LO frequencies added to the RF.
    pub sideband: i32,
    /// Name of the line.
    pub line: &'static str,
}

/// The ports, in order.
pub const PUMPED_PORTS: [PumpedPort; 6] = [
    PumpedPort { connector: PortName::Rf, sideband: RF, line: "signal" },
    PumpedPort { connector: PortName::If, sideband: IF, line: "IF" },
    PumpedPort { connector: PortName::Rf, sideband: IMAGE, line: "image" },
    PumpedPort { connector: PortName::Rf, sideband: SUM, line: "sum" },
    PumpedPort { connector: PortName::Lo, sideband: RF, line: "signal leakage" },
    PumpedPort { connector: PortName::If, sideband: RF, line: "signal leakage" },
];

impl PumpedPort {
    /// Signed frequency of the line, hertz.
    pub fn signed_hz(self, lo_hz: f64, rf_hz: f64) -> f64 {
        rf_hz + f64::from(self.sideband) * lo_hz
    }

    /// Frequency as a formula.
    fn formula(self) -> String {
        match self.sideband {
            0 => "f".into(),
            k if k > 0 => format!("f + {}LO", if k == 1 { String::new() } else { format!("{k} ") }),
            k => format!("f - {}LO", if k == -1 { String::new() } else { format!("{} ", -k) }),
        }
    }
}

/// The pumped scattering over the band of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Pumped {
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// LO level, dBm.
    pub lo_dbm: f64,
    /// RF frequencies, hertz.
    pub rf_hz: Vec<f64>,
    /// One matrix a frequency, `[(to, from)]` in the order of [`PUMPED_PORTS`].
    pub s: Vec<CMatrix>,
    /// Reference resistance of each port, ohm.
    pub reference_ohm: Vec<f64>,
    /// Largest change of an entry from half as many LO harmonics.
    pub truncation: f64,
}

/// Computes the pumped scattering at the reference terminations.
///
/// # Errors
/// A plan outside the region when the maker chose to refuse, a steady state that cannot be found, or the wish of `watch`
/// to stop.
pub fn pumped(model: &Model, plan: &Plan, watch: &dyn Watch) -> Result<Pumped, HandoverError> {
    model.check(plan)?;
    let mixer = model.mixer()?;
    let rf_hz = plan.rf_grid(plan.points.max(2));
    let of = |order: usize| matrices(&mixer, plan, &rf_hz, order, watch);
    let (s, coarse) = (of(LO_ORDERS.0)?, of(LO_ORDERS.1)?);
    let truncation = s.iter().zip(&coarse).map(|(a, b)| (a - b).max_abs()).fold(0.0, f64::max);
    let reference_ohm = PUMPED_PORTS.iter().map(|p| mixer.embedding.external_ohm(mixer.ports.index(p.connector)));
    Ok(Pumped { lo_hz: plan.lo_hz, lo_dbm: plan.lo_dbm, reference_ohm: reference_ohm.collect(), rf_hz, s, truncation })
}

fn matrices(
    mixer: &Mixer,
    plan: &Plan,
    rf_hz: &[f64],
    order: usize,
    watch: &dyn Watch,
) -> Result<Vec<CMatrix>, HandoverError> {
    let pumped = pump(mixer, Lo { hz: plan.lo_hz, dbm: plan.lo_dbm }, &[], order, None)?;
    let inputs: Vec<(usize, i32)> = PUMPED_PORTS.iter().map(|p| (mixer.ports.index(p.connector), p.sideband)).collect();
    parallel::map_watched(rf_hz, watch, "pumped scattering", |&f| {
        let columns = pumped.state.conversion(f)?.scattered(&inputs)?;
        Ok::<_, HandoverError>(CMatrix::from_fn(inputs.len(), inputs.len(), |to, from| {
            let (port, sideband) = inputs[to];
            columns[from].at(port, sideband)
        }))
    })
}

impl Pumped {
    /// Explanation of ports and conjugates.
    fn remarks(&self) -> Vec<String> {
        let middle = self.rf_hz[self.rf_hz.len() / 2];
        let mut out = vec![
            format!(
                "LO {} GHz at {:+} dBm, available; the frequency column f is the RF of the signal",
                ghz(self.lo_hz),
                self.lo_dbm
            ),
            "each port is one connector at one line of the spectrum, at its own frequency:".into(),
        ];
        for (i, p) in PUMPED_PORTS.iter().enumerate() {
            let hz = p.signed_hz(self.lo_hz, middle);
            let conjugate = if hz < 0.0 { ", conjugate waves" } else { "" };
            out.push(format!(
                "  port {}: {} connector at {} ({}), {} GHz where f = {} GHz{conjugate}",
                i + 1,
                p.connector.label(),
                p.formula(),
                p.line,
                ghz(hz.abs()),
                ghz(middle)
            ));
        }
        out.extend([
            "a negative frequency stands for the wave exp(j 2 pi f t) there: it is the conjugate of the wave at the positive".into(),
            "frequency. Terminate such a port with the conjugate of the reflection of the real load, and take conjugates of".into(),
            "what comes out of it. S(to, from) then is an ordinary linear multiport, valid for small signals only.".into(),
            "all other lines and connectors are terminated in their references; the matrix is neither reciprocal nor passive".into(),
            format!(
                "power waves, peak phasors; {} LO harmonics; largest change of an entry from {} harmonics: {:.1e}",
                LO_ORDERS.0, LO_ORDERS.1, self.truncation
            ),
        ]);
        out
    }

    /// Touchstone text, version 2.0.
    ///
    /// # Errors
    /// References that cannot be written; none in practice.
    pub fn touchstone(&self, model: &Model, origin: &Origin) -> Result<String, HandoverError> {
        let names = PUMPED_PORTS.iter().map(|p| format!("{} at {}", p.connector.label(), p.formula())).collect();
        let reference: Vec<Complex64> = self.reference_ohm.iter().map(|&r| r.into()).collect();
        let mut network = Network::new(names, reference, self.rf_hz.clone(), self.s.clone())?;
        for line in heading(model, origin, "Pumped scattering parameters").into_iter().chain(self.remarks()) {
            network = network.noted(line);
        }
        Ok(write(&network, WriteVersion::Two)?)
    }

    /// Comma-separated text: one row a frequency and pair of ports.
    pub fn csv(&self, model: &Model, origin: &Origin) -> String {
        let mut out = commented("#", &heading(model, origin, "Pumped scattering parameters"));
        out.push_str(&commented("#", &self.remarks()));
        out.push_str(
            "rf (Hz),to_connector,to_line,to_frequency (Hz),to_conjugate,from_connector,from_line,from_frequency (Hz),\
             from_conjugate,real,imaginary,magnitude (dB),phase (deg)\n",
        );
        for (&f, s) in self.rf_hz.iter().zip(&self.s) {
            for (i, to) in PUMPED_PORTS.iter().enumerate() {
                for (j, from) in PUMPED_PORTS.iter().enumerate() {
                    let z = s[(i, j)];
                    let side = |p: &PumpedPort| {
                        let hz = p.signed_hz(self.lo_hz, f);
                        let conjugate = if hz < 0.0 { "yes" } else { "no" };
                        format!("{},{},{:.0},{conjugate}", p.connector.label(), cell(p.line), hz.abs())
                    };
                    let _ = writeln!(
                        out,
                        "{f:.0},{},{},{:e},{:e},{:.4},{:.3}",
                        side(to),
                        side(from),
                        z.re,
                        z.im,
                        20.0 * z.norm().log10(),
                        z.arg().to_degrees()
                    );
                }
            }
        }
        ascii_lines(&out)
    }
}

fn ascii_lines(text: &str) -> String {
    text.lines().map(|l| ascii(l) + "\n").collect()
}
