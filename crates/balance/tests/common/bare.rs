//! One junction that sees exactly what a textbook says it sees, frequency by frequency; and devices
//! that no diode model gives.

use diode::{Device, JunctionPoint};
use mixwright_balance::{Drive, Embedding, Problem};
use network::{FrequencyResponse, NetworkError};
use num_complex::Complex64;
use numerics::CMatrix;
use std::fmt::{Debug, Formatter};
use std::sync::Arc;

/// What the junction faces at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Face {
    /// A short circuit.
    Short,
    /// An open circuit.
    Open,
    /// An external port, through a shunt susceptance (S) and a series resistance (ohm) at the port.
    Port { port: usize, susceptance_s: f64, series_ohm: f64 },
}

/// An external port and nothing else.
pub(crate) fn at_port(port: usize) -> Face {
    Face::Port { port, susceptance_s: 0.0, series_ohm: 0.0 }
}

/// One junction behind a choice of faces; every port it does not face is an open circuit.
pub(crate) struct Faced {
    /// External ports first, the junction last, ohm.
    reference_ohm: Vec<f64>,
    face: Box<dyn Fn(f64) -> Face + Send + Sync>,
}

impl Debug for Faced {
    fn fmt(&self, f: &mut Formatter<'_>) -> std::fmt::Result {
        write!(f, "one junction, references {:?} ohm", self.reference_ohm)
    }
}

impl FrequencyResponse for Faced {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        let j = self.reference_ohm.len() - 1;
        let mut s = CMatrix::identity(j + 1);
        match (self.face)(freq_hz) {
            Face::Open => {}
            Face::Short => s[(j, j)] = (-1.0).into(),
            Face::Port { port, susceptance_s, series_ohm } => {
                // chain matrix [1 + rY, r; Y, 1] from the port to the junction
                let (rp, rj) = (self.reference_ohm[port], self.reference_ohm[j]);
                let (r, y) = (series_ohm, Complex64::new(0.0, susceptance_s));
                let (a, b, c, d) = (1.0 + r * y, Complex64::from(r), y, Complex64::from(1.0));
                let sum = a * rj + b + c * rp * rj + d * rp;
                s[(port, port)] = (a * rj + b - c * rp * rj - d * rp) / sum;
                s[(j, j)] = (d * rp + b - c * rp * rj - a * rj) / sum;
                s[(port, j)] = 2.0 * (rp * rj).sqrt() / sum;
                s[(j, port)] = s[(port, j)];
            }
        }
        Ok(s)
    }
}

/// One junction of reference resistance `junction_ohm` behind `face`, no drives yet.
pub(crate) fn one_junction(
    device: Arc<dyn Device>,
    junction_ohm: f64,
    ports_ohm: &[f64],
    tones_hz: &[f64],
    face: impl Fn(f64) -> Face + Send + Sync + 'static,
) -> Problem {
    let mut reference_ohm = ports_ohm.to_vec();
    reference_ohm.push(junction_ohm);
    let embedding = Embedding::new(Arc::new(Faced { reference_ohm, face: Box::new(face) }), 1).expect("one junction");
    let (embedding, devices) = (Arc::new(embedding), vec![device]);
    Problem { embedding, devices, tones_hz: tones_hz.to_vec(), drives: Vec::new() }
}

/// A source of peak voltage `volt` (or a direct voltage) and phase behind the resistance of its port.
pub(crate) fn voltage(port: usize, orders: Vec<i32>, volt: f64, r_ohm: f64, phase_rad: f64) -> Drive {
    Drive { port, orders, wave: Complex64::from_polar(volt / (2.0 * r_ohm.sqrt()), phase_rad) }
}

/// A source resistance so small that a port is a voltage source, ohm.
pub(crate) const NO_OHM: f64 = 1e-10;

/// A device with another shot noise: `2q·(i + extra·IS)`.
#[derive(Debug)]
pub(crate) struct WithShot {
    pub inner: Arc<dyn Device>,
    pub is_a: f64,
    pub extra: f64,
}

impl Device for WithShot {
    fn at(&self, voltage_v: f64) -> JunctionPoint {
        self.inner.at(voltage_v)
    }
    fn voltage_of_wave(&self, wave_v: f64, r_ohm: f64, start_v: f64) -> f64 {
        self.inner.voltage_of_wave(wave_v, r_ohm, start_v)
    }
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]) {
        self.inner.series(v0, dv, current, charge);
    }
    fn shot_noise_a2_per_hz(&self, voltage_v: f64) -> f64 {
        2.0 * quantity::constants::ELEMENTARY_CHARGE_C * (self.at(voltage_v).current_a + self.extra * self.is_a)
    }
}

/// `i = g·max(0, v − knee)`: a switch that closes at a voltage.
#[derive(Debug)]
pub(crate) struct Switch {
    pub conductance_s: f64,
    pub knee_v: f64,
}

impl Device for Switch {
    fn at(&self, voltage_v: f64) -> JunctionPoint {
        let over = voltage_v - self.knee_v;
        let conductance_s = if over > 0.0 { self.conductance_s } else { 0.0 };
        JunctionPoint { current_a: conductance_s * over, conductance_s, ..JunctionPoint::default() }
    }
    fn voltage_of_wave(&self, wave_v: f64, r_ohm: f64, _start_v: f64) -> f64 {
        let over = wave_v - self.knee_v;
        if over > 0.0 { self.knee_v + over / (1.0 + r_ohm * self.conductance_s) } else { wave_v }
    }
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]) {
        let g = self.at(v0).conductance_s;
        current.iter_mut().zip(dv).for_each(|(i, v)| *i = g * v);
        charge.fill(Complex64::default());
    }
    fn shot_noise_a2_per_hz(&self, _voltage_v: f64) -> f64 {
        0.0
    }
}

/// `q = c0·v + c1·v²/2`: a capacitance that follows its voltage, without conduction.
#[derive(Debug)]
pub(crate) struct LinearVaractor {
    pub c0_f: f64,
    pub c1_f_per_v: f64,
}

impl Device for LinearVaractor {
    fn at(&self, v: f64) -> JunctionPoint {
        let capacitance_f = self.c0_f + self.c1_f_per_v * v;
        JunctionPoint {
            charge_c: (self.c0_f + 0.5 * self.c1_f_per_v * v) * v,
            capacitance_f,
            ..JunctionPoint::default()
        }
    }
    fn voltage_of_wave(&self, wave_v: f64, _r_ohm: f64, _start_v: f64) -> f64 {
        wave_v
    }
    fn series(&self, v0: f64, dv: &[Complex64], current: &mut [Complex64], charge: &mut [Complex64]) {
        current.fill(Complex64::default());
        for (m, q) in charge.iter_mut().enumerate() {
            let squares: Complex64 = (0..m).map(|j| dv[j] * dv[m - 1 - j]).sum();
            *q = (self.c0_f + self.c1_f_per_v * v0) * dv[m] + 0.5 * self.c1_f_per_v * squares;
        }
    }
    fn shot_noise_a2_per_hz(&self, _voltage_v: f64) -> f64 {
        0.0
    }
}
