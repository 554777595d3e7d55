//! What the customer puts around the model: filters, lines, pads, parts and terminations at its three connectors.
//!
//! Input: for each connector a chain of two-ports, from the model outwards, and the resistance of the source or load at
//! its end. Output: a [`Surrounded`] network with the same junctions, which takes the place of the model's own.
//! Conventions: port 0 of every part looks at the model; levels are available powers of the outer source, so what a
//! filter takes away is counted as loss; parts are at the temperature of the model.
//! A reactive termination is a lossless reciprocal two-port with the given reflection towards the model: nothing is
//! gained or burnt in it.
//! Not here: parts between two connectors; surround each for itself.

use crate::{HandoverError, PORTS};
use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64};
use spec::PortName;
use std::f64::consts::TAU;
use std::sync::Arc;

/// One part of a chain.
#[derive(Debug, Clone)]
pub enum Part {
    /// A line.
    Line {
        /// Impedance, ohm.
        impedance_ohm: f64,
        /// Delay, second.
        delay_s: f64,
        /// Attenuation at 1 Hz, neper, rising with `√f`.
        skin_np_per_sqrt_hz: f64,
    },
    /// A matched attenuator, dB.
    Pad(f64),
    /// In the way: resistor (ohm), inductor (henry), capacitor (farad).
    Series(Lumped),
    /// From the way to ground.
    Shunt(Lumped),
    /// Any two-port, port 0 towards the model, both references those of the connector.
    TwoPort(Arc<dyn FrequencyResponse>),
    /// Reflects what lies in a band, lets everything else pass.
    Reflects {
        /// Lower and upper end, hertz.
        band_hz: (f64, f64),
        /// Reflection towards the model, magnitude at most one; `exp(+jωt)`.
        gamma: Complex64,
    },
    /// Passes a band without loss, reflects everything else.
    PassBand {
        /// Lower and upper end, hertz.
        band_hz: (f64, f64),
        /// Reflection outside the band, magnitude at most one.
        gamma: Complex64,
    },
}

/// A lumped element.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lumped {
    /// Ohm.
    Resistor(f64),
    /// Henry.
    Inductor(f64),
    /// Farad.
    Capacitor(f64),
}

/// Everything outside one connector.
#[derive(Debug, Clone, Default)]
pub struct Chain {
    /// Parts from the model outwards.
    pub parts: Vec<Part>,
    /// Resistance of source or load at the end, ohm; none keeps that of the connector.
    pub end_ohm: Option<f64>,
}

/// Everything outside the model.
#[derive(Debug, Clone, Default)]
pub struct Surroundings {
    /// At the LO connector.
    pub lo: Chain,
    /// At the RF connector.
    pub rf: Chain,
    /// At the IF connector.
    pub if_: Chain,
}

impl Surroundings {
    /// The chain of a connector.
    pub fn chain(&self, port: PortName) -> &Chain {
        match port {
            PortName::Lo => &self.lo,
            PortName::Rf => &self.rf,
            PortName::If => &self.if_,
        }
    }

    /// The chain of a connector, to be changed.
    pub fn chain_mut(&mut self, port: PortName) -> &mut Chain {
        match port {
            PortName::Lo => &mut self.lo,
            PortName::Rf => &mut self.rf,
            PortName::If => &mut self.if_,
        }
    }

    /// The same with one more termination directly at a connector, in front of everything that is there.
    pub fn with_reflection(&self, port: PortName, freq_hz: f64, gamma: Complex64) -> Self {
        let mut out = self.clone();
        out.chain_mut(port).parts.insert(0, Part::reflects_at(freq_hz, gamma));
        out
    }
}

/// Half width of a termination at one frequency, relative.
const NARROW: f64 = 1e-7;

impl Part {
    /// Reflection at one frequency only.
    pub fn reflects_at(freq_hz: f64, gamma: Complex64) -> Self {
        Self::Reflects { band_hz: (freq_hz * (1.0 - NARROW), freq_hz * (1.0 + NARROW)), gamma }
    }

    /// Scattering of the part between two references of `ohm`.
    fn at(&self, freq_hz: f64, ohm: f64) -> Result<TwoPort, NetworkError> {
        let omega = TAU * freq_hz;
        Ok(match self {
            Self::Line { impedance_ohm, delay_s, skin_np_per_sqrt_hz } => {
                // a wire that loses by skin effect is as inductive as it is resistive
                let skin = skin_np_per_sqrt_hz * freq_hz.sqrt();
                let pass = (-Complex64::new(skin, omega * delay_s + skin)).exp();
                let rho = (impedance_ohm - ohm) / (impedance_ohm + ohm);
                let rest = 1.0 - rho * rho * pass * pass;
                TwoPort::symmetric(rho * (1.0 - pass * pass) / rest, pass * (1.0 - rho * rho) / rest)
            }
            Self::Pad(db) => TwoPort::symmetric(0.0.into(), 10f64.powf(-db / 20.0).into()),
            Self::Series(part) => match part.immittance(omega) {
                Immittance::Ohm(z) => TwoPort::symmetric(z / (z + 2.0 * ohm), 2.0 * ohm / (z + 2.0 * ohm)),
                Immittance::Siemens(y) => {
                    let rest = 1.0 + 2.0 * ohm * y;
                    TwoPort::symmetric(1.0 / rest, 2.0 * ohm * y / rest)
                }
            },
            Self::Shunt(part) => match part.immittance(omega) {
                Immittance::Ohm(z) => TwoPort::symmetric(-ohm / (2.0 * z + ohm), 2.0 * z / (2.0 * z + ohm)),
                Immittance::Siemens(y) => TwoPort::symmetric(-y * ohm / (2.0 + y * ohm), 2.0 / (2.0 + y * ohm)),
            },
            Self::TwoPort(response) => {
                let s = response.scattering(freq_hz)?;
                TwoPort { inner: s[(0, 0)], out: s[(1, 0)], into: s[(0, 1)], outer: s[(1, 1)] }
            }
            Self::Reflects { band_hz, gamma } => {
                if freq_hz >= band_hz.0 && freq_hz <= band_hz.1 {
                    TwoPort::lossless(*gamma)
                } else {
                    TwoPort::THRU
                }
            }
            Self::PassBand { band_hz, gamma } => {
                if freq_hz >= band_hz.0 && freq_hz <= band_hz.1 {
                    TwoPort::THRU
                } else {
                    TwoPort::lossless(*gamma)
                }
            }
        })
    }
}

enum Immittance {
    Ohm(Complex64),
    Siemens(Complex64),
}

impl Lumped {
    /// Whichever of impedance and admittance is finite down to 0 Hz.
    fn immittance(self, omega: f64) -> Immittance {
        match self {
            Self::Resistor(r) => Immittance::Ohm(r.into()),
            Self::Inductor(l) => Immittance::Ohm(Complex64::new(0.0, omega * l)),
            Self::Capacitor(c) => Immittance::Siemens(Complex64::new(0.0, omega * c)),
        }
    }
}

/// Scattering of a two-port: reflections at both sides, and the ways out of the model and into it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct TwoPort {
    inner: Complex64,
    out: Complex64,
    into: Complex64,
    outer: Complex64,
}

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
const ONE: Complex64 = Complex64::new(1.0, 0.0);
/// Denominator below which a loop of two reflections counts as a resonance without loss.
const RESONANT: f64 = 1e-12;

impl TwoPort {
    const THRU: Self = Self { inner: ZERO, out: ONE, into: ONE, outer: ZERO };

    fn symmetric(reflection: Complex64, through: Complex64) -> Self {
        Self { inner: reflection, out: through, into: through, outer: reflection }
    }

    /// Lossless and reciprocal with this reflection at the inner side.
    fn lossless(gamma: Complex64) -> Self {
        let through = (1.0 - gamma.norm_sqr()).max(0.0).sqrt();
        Self { inner: gamma, out: through.into(), into: through.into(), outer: -gamma.conj() }
    }

    /// From one real reference to another.
    fn step(from_ohm: f64, to_ohm: f64) -> Self {
        let r = (to_ohm - from_ohm) / (to_ohm + from_ohm);
        let t = (1.0 - r * r).sqrt();
        Self { inner: r.into(), out: t.into(), into: t.into(), outer: (-r).into() }
    }

    /// This one, then `next` outside it.
    fn then(self, next: Self, freq_hz: f64) -> Result<Self, NetworkError> {
        let rest = 1.0 - self.outer * next.inner;
        if rest.norm() < RESONANT {
            if self.out.norm() < RESONANT {
                // nothing of the model's waves gets as far as the resonance
                return Ok(Self { out: ZERO, into: ZERO, outer: next.outer, ..self });
            }
            return Err(NetworkError::Degenerate {
                what: "the chain of parts at a connector".into(),
                freq_hz,
                why: "two of them resonate without loss; give one of them some loss".into(),
            });
        }
        Ok(Self {
            inner: self.inner + self.into * next.inner * self.out / rest,
            out: next.out * self.out / rest,
            into: self.into * next.into / rest,
            outer: next.outer + next.out * self.outer * next.into / rest,
        })
    }
}

impl Chain {
    fn at(&self, freq_hz: f64, ohm: f64) -> Result<TwoPort, NetworkError> {
        let mut whole = TwoPort::THRU;
        for part in &self.parts {
            whole = whole.then(part.at(freq_hz, ohm)?, freq_hz)?;
        }
        match self.end_ohm {
            Some(end) => whole.then(TwoPort::step(ohm, end), freq_hz),
            None => Ok(whole),
        }
    }
}

/// A network with surroundings at its first three ports.
#[derive(Debug, Clone)]
pub struct Surrounded {
    inner: Arc<dyn FrequencyResponse>,
    chains: [Chain; 3],
    inner_ohm: Vec<f64>,
    reference_ohm: Vec<f64>,
}

impl Surrounded {
    /// Puts surroundings around a network whose first three ports are LO, RF and IF.
    ///
    /// # Errors
    /// Parts with values that cannot be: not finite, negative, an active reflection, a two-port of another size.
    pub fn new(inner: Arc<dyn FrequencyResponse>, surroundings: &Surroundings) -> Result<Self, HandoverError> {
        let mut chains: [Chain; 3] = Default::default();
        for port in [PortName::Lo, PortName::Rf, PortName::If] {
            let chain = surroundings.chain(port);
            let place = format!("the {} connector", port.label());
            for part in &chain.parts {
                check(part, inner.reference_ohm()[PORTS.index(port)], &place)?;
            }
            if let Some(end) = chain.end_ohm.filter(|r| !(r.is_finite() && *r > 0.0)) {
                return Err(HandoverError::mismatch("a positive resistance at the end", format!("{end} ohm"), place));
            }
            chains[PORTS.index(port)] = chain.clone();
        }
        let inner_ohm = inner.reference_ohm().to_vec();
        let mut reference_ohm = inner_ohm.clone();
        for (r, chain) in reference_ohm.iter_mut().zip(&chains) {
            *r = chain.end_ohm.unwrap_or(*r);
        }
        Ok(Self { inner, chains, inner_ohm, reference_ohm })
    }

    /// Reflection of the surroundings as the model sees it at a connector.
    ///
    /// # Errors
    /// A chain that resonates without loss.
    pub fn reflection(&self, port: PortName, freq_hz: f64) -> Result<Complex64, NetworkError> {
        let p = PORTS.index(port);
        Ok(self.chains[p].at(freq_hz, self.inner_ohm[p])?.inner)
    }
}

fn check(part: &Part, ohm: f64, place: &str) -> Result<(), HandoverError> {
    let refuse = |expected: &str, found: String| Err(HandoverError::mismatch(expected, found, place));
    let positive = |x: f64| x.is_finite() && x > 0.0;
    let not_negative = |x: f64| x.is_finite() && x >= 0.0;
    match part {
        Part::Line { impedance_ohm, delay_s, skin_np_per_sqrt_hz } => {
            if !(positive(*impedance_ohm) && not_negative(*delay_s) && not_negative(*skin_np_per_sqrt_hz)) {
                let found = format!("{impedance_ohm} ohm, {delay_s} s, {skin_np_per_sqrt_hz} Np");
                return refuse("a line of positive impedance, delay and loss not negative", found);
            }
        }
        Part::Pad(db) if !not_negative(*db) => return refuse("an attenuation of 0 dB or more", format!("{db} dB")),
        Part::Series(p) | Part::Shunt(p) => {
            let (Lumped::Resistor(x) | Lumped::Inductor(x) | Lumped::Capacitor(x)) = p;
            if !not_negative(*x) {
                return refuse("a part that is not negative", format!("{p:?}"));
            }
        }
        Part::TwoPort(r) => {
            let fits = r.n_ports() == 2 && r.reference_ohm().iter().all(|x| (x - ohm).abs() <= 1e-9 * ohm);
            if !fits {
                let found = format!("{} ports with references {:?}", r.n_ports(), r.reference_ohm());
                return refuse(&format!("a two-port with references of {ohm} ohm"), found);
            }
        }
        Part::Reflects { gamma, band_hz } | Part::PassBand { gamma, band_hz } => {
            let passive = (0.0..=1.0 + 1e-12).contains(&gamma.norm());
            if !passive || !(0.0..=band_hz.1).contains(&band_hz.0) {
                return refuse("a reflection of magnitude 0 to 1 in a band", format!("{gamma} in {band_hz:?} Hz"));
            }
        }
        Part::Pad(_) => {}
    }
    Ok(())
}

impl FrequencyResponse for Surrounded {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    /// With the chains `a = A·b + B·a'`, `b' = C·b + D·a'` at the three connectors:
    /// `a = (I − A·S_ee)⁻¹·(A·S_ej·a_j + B·a')`.
    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        let s = self.inner.scattering(freq_hz)?;
        let n = s.n_rows();
        let chains: Vec<TwoPort> =
            (0..3).map(|p| self.chains[p].at(freq_hz, self.inner_ohm[p])).collect::<Result<_, _>>()?;
        if chains.iter().all(|t| *t == TwoPort::THRU) {
            return Ok(s);
        }
        // waves arriving at the three connectors for unit waves at outer ports and junctions
        let mut m = [[ZERO; 3]; 3];
        let mut x = vec![[ZERO; 3]; n];
        for p in 0..3 {
            for q in 0..3 {
                m[p][q] = (if p == q { ONE } else { ZERO }) - chains[p].inner * s[(p, q)];
            }
            x[p][p] = chains[p].into;
            for j in 3..n {
                x[j][p] = chains[p].inner * s[(p, j)];
            }
        }
        let inverse = inverse3(&m).ok_or_else(|| NetworkError::Degenerate {
            what: "the model with its surroundings".into(),
            freq_hz,
            why: "they resonate without loss; give the surroundings some loss".into(),
        })?;
        let mut out = CMatrix::zeros(n, n);
        for (col, x) in x.iter().enumerate() {
            let a: Vec<Complex64> = (0..3).map(|p| (0..3).map(|q| inverse[p][q] * x[q]).sum()).collect();
            for row in 0..n {
                let mut b: Complex64 = (0..3).map(|p| s[(row, p)] * a[p]).sum();
                if col >= 3 {
                    b += s[(row, col)];
                }
                if row < 3 {
                    b *= chains[row].out;
                    if row == col {
                        b += chains[row].outer;
                    }
                }
                out[(row, col)] = b;
            }
        }
        Ok(out)
    }

    fn data_up_to_hz(&self) -> Option<f64> {
        None
    }
}

/// Inverse by cofactors; none when the determinant vanishes. Three by three with a diagonal near one is well conditioned
/// wherever surroundings and model do not resonate.
fn inverse3(m: &[[Complex64; 3]; 3]) -> Option<[[Complex64; 3]; 3]> {
    let cofactor = |i: usize, j: usize| {
        let (a, b, c, d) = ((i + 1) % 3, (i + 2) % 3, (j + 1) % 3, (j + 2) % 3);
        m[a][c] * m[b][d] - m[a][d] * m[b][c]
    };
    let determinant: Complex64 = (0..3).map(|j| m[0][j] * cofactor(0, j)).sum();
    if determinant.norm() < RESONANT {
        return None;
    }
    let mut out = [[ZERO; 3]; 3];
    for (i, row) in out.iter_mut().enumerate() {
        for (j, x) in row.iter_mut().enumerate() {
            *x = cofactor(j, i) / determinant;
        }
    }
    Some(out)
}
