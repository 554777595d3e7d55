//! Matrices per metre at one frequency, their modes, and a length of line as a multiport.

use crate::mesh::Metal;
use crate::solution::{LineSolution, matrix_function, product};
use crate::{LineTable, LinesError};
use network::{FrequencyResponse, NetworkError};
use numerics::linear::{eigen_symmetric, solve};
use numerics::{CMatrix, Complex64, RMatrix};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::TAU;

/// Matrices per metre at one frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct LineMatrices {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Resistance, ohm per metre.
    pub r: RMatrix,
    /// Inductance, internal part included, henry per metre.
    pub l: RMatrix,
    /// Conductance, siemens per metre.
    pub g: RMatrix,
    /// Capacitance, farad per metre.
    pub c: RMatrix,
}

/// One quasi-TEM mode of the lossless line.
#[derive(Debug, Clone, PartialEq)]
pub struct Mode {
    /// Effective permittivity, `(c₀/velocity)²`.
    pub eps_eff: f64,
    /// Phase velocity, metre per second.
    pub velocity_m_per_s: f64,
    /// Voltages of the lines, largest one 1.
    pub voltage: Vec<f64>,
    /// Currents of the lines for those voltages, ampere per volt.
    pub current: Vec<f64>,
}

impl Mode {
    /// Voltage over current of one line in this mode, ohm: for two equal lines the even or odd impedance.
    pub fn line_impedance_ohm(&self, line: usize) -> f64 {
        self.voltage[line] / self.current[line]
    }
}

/// Two coupled lines seen as a floating pair: what a coupled-line balun is made from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairConstants {
    /// Impedance between the two lines, equal and opposite currents, no net charge, ohm.
    pub strip_to_strip_ohm: f64,
    /// Effective permittivity of that field.
    pub strip_to_strip_eps: f64,
    /// Impedance of both lines together against the reference, ohm.
    pub pair_over_ground_ohm: f64,
    /// Effective permittivity of that field.
    pub pair_over_ground_eps: f64,
}

impl LineSolution {
    /// Matrices at a frequency, with the permittivities and loss tangents as given.
    pub fn at(&self, freq_hz: f64) -> Result<LineMatrices, LinesError> {
        self.at_permittivity(freq_hz, &self.given_permittivities())
    }

    /// Matrices at a frequency for other complex permittivities `ε' − jε''` of the fillings.
    ///
    /// Linear in the change of permittivity from the solved one; what is left out is of second order in the
    /// relative change (1e-4 for a loss tangent of 0.01).
    pub fn at_permittivity(&self, freq_hz: f64, eps: &[Complex64]) -> Result<LineMatrices, LinesError> {
        let n = self.n_lines();
        let (g, c) = self.shunt(freq_hz, eps);
        let (r, internal) = self.internal(freq_hz)?;
        let l = RMatrix::from_fn(n, n, |i, j| self.l_h_per_m[(i, j)] + internal[(i, j)]);
        Ok(LineMatrices { freq_hz, r, l, g, c })
    }

    /// Permittivities as given, with their losses.
    pub(crate) fn given_permittivities(&self) -> Vec<Complex64> {
        let given = |f: &crate::Filling| Complex64::new(f.eps_r, -f.eps_r * f.loss_tangent);
        self.section.fillings.iter().map(given).collect()
    }

    /// Conductance and capacitance for some permittivities.
    pub(crate) fn shunt(&self, freq_hz: f64, eps: &[Complex64]) -> (RMatrix, RMatrix) {
        let n = self.n_lines();
        let mut c = self.c_f_per_m.clone();
        let mut g = RMatrix::zeros(n, n);
        for (filling, (eps, solved)) in eps.iter().zip(&self.section.fillings).enumerate() {
            let slope = self.by_permittivity(filling);
            c = RMatrix::from_fn(n, n, |i, j| c[(i, j)] + slope[(i, j)] * (eps.re - solved.eps_r));
            g = RMatrix::from_fn(n, n, |i, j| g[(i, j)] - slope[(i, j)] * eps.im * TAU * freq_hz);
        }
        (g, c)
    }

    /// Resistance and internal inductance.
    pub(crate) fn internal(&self, freq_hz: f64) -> Result<(RMatrix, RMatrix), LinesError> {
        self.metal.internal(freq_hz, self.n_lines())
    }

    /// Modes of the lossless line, slowest last.
    pub fn modes(&self) -> Result<Vec<Mode>, LinesError> {
        let n = self.n_lines();
        let root = matrix_function(&self.c_f_per_m, f64::sqrt)?;
        let back = matrix_function(&self.c_f_per_m, |x| 1.0 / x.sqrt())?;
        let (values, vectors) = eigen_symmetric(&product(&product(&root, &self.l_h_per_m), &root))?;
        let mode = |k: usize| {
            // root·v is the eigenvector; i = v·velocity·C
            let v = product(&back, &RMatrix::column(&vectors.col(k)));
            let largest = v.as_slice().iter().copied().fold(0.0, |m: f64, x| if x.abs() > m.abs() { x } else { m });
            let voltage: Vec<f64> = v.as_slice().iter().map(|x| x / largest).collect();
            let velocity = 1.0 / values[k].sqrt();
            let charge = self.c_f_per_m.times(&voltage);
            Mode {
                eps_eff: values[k] * LIGHT_SPEED_M_PER_S * LIGHT_SPEED_M_PER_S,
                velocity_m_per_s: velocity,
                current: charge.iter().map(|q| q * velocity).collect(),
                voltage,
            }
        };
        Ok((0..n).map(mode).collect())
    }

    /// Characteristic impedance matrix of the lossless line, ohm.
    pub fn impedance_ohm(&self) -> Result<RMatrix, LinesError> {
        let root = matrix_function(&self.c_f_per_m, f64::sqrt)?;
        let back = matrix_function(&self.c_f_per_m, |x| 1.0 / x.sqrt())?;
        let inner = matrix_function(&product(&product(&root, &self.l_h_per_m), &root), f64::sqrt)?;
        Ok(product(&product(&back, &inner), &back))
    }

    /// Constants of two lines as a floating pair; `None` unless there are exactly two lines.
    pub fn pair(&self) -> Option<PairConstants> {
        (self.n_lines() == 2).then(|| PairConstants::of(&self.l_h_per_m, &self.c_f_per_m))
    }

    /// At high frequency, resistance over surface resistance of one conductor's faces, per metre.
    ///
    /// `None` for a conductor that does not exist; the matrix refers to currents of the lines.
    pub fn resistance_form(&self, conductor: usize) -> Option<&RMatrix> {
        self.metal.faces().iter().find(|f| f.0 == Metal::Conductor(conductor)).map(|f| &f.1)
    }

    /// The same for the ground plane.
    pub fn ground_resistance_form(&self) -> Option<&RMatrix> {
        self.metal.ground()
    }
}

impl PairConstants {
    /// From the inductance and capacitance matrices of two lines.
    pub fn of(l: &RMatrix, c: &RMatrix) -> Self {
        let together = c[(0, 0)] + c[(1, 1)] + 2.0 * c[(0, 1)];
        let between = (c[(0, 0)] * c[(1, 1)] - c[(0, 1)] * c[(1, 0)]) / together;
        let loop_l = l[(0, 0)] + l[(1, 1)] - 2.0 * l[(0, 1)];
        let common_l = (l[(0, 0)] * l[(1, 1)] - l[(0, 1)] * l[(1, 0)]) / loop_l;
        let square = LIGHT_SPEED_M_PER_S * LIGHT_SPEED_M_PER_S;
        Self {
            strip_to_strip_ohm: (loop_l / between).sqrt(),
            strip_to_strip_eps: loop_l * between * square,
            pair_over_ground_ohm: (common_l / together).sqrt(),
            pair_over_ground_eps: common_l * together * square,
        }
    }
}

/// A length of line; ports `0 … n−1` at the near end, `n … 2n−1` at the far end, in the order of the lines.
#[derive(Debug, Clone)]
pub struct LineBlock {
    table: LineTable,
    length_m: f64,
    reference_ohm: Vec<f64>,
}

impl LineBlock {
    /// A length of a tabulated line with one reference resistance at all ports.
    pub fn new(table: LineTable, length_m: f64, reference_ohm: f64) -> Self {
        let ports = 2 * table.data().n_lines();
        Self { table, length_m, reference_ohm: vec![reference_ohm; ports] }
    }
}

impl FrequencyResponse for LineBlock {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        Ok(self.table.at(freq_hz).scattering(self.length_m, self.reference_ohm[0])?)
    }
}

impl LineMatrices {
    /// Series impedance per metre, ohm.
    pub fn series(&self) -> CMatrix {
        let omega = TAU * self.freq_hz;
        CMatrix::from_fn(self.r.n_rows(), self.r.n_rows(), |i, j| {
            Complex64::new(self.r[(i, j)], omega * self.l[(i, j)])
        })
    }

    /// Shunt admittance per metre, siemens.
    pub fn shunt(&self) -> CMatrix {
        let omega = TAU * self.freq_hz;
        CMatrix::from_fn(self.g.n_rows(), self.g.n_rows(), |i, j| {
            Complex64::new(self.g[(i, j)], omega * self.c[(i, j)])
        })
    }

    /// Scattering matrix of a length of line, all ports at one reference resistance.
    ///
    /// From the chain matrix `exp(−l·[0 Z; Y 0])`, which exists at direct current and without loss alike.
    pub fn scattering(&self, length_m: f64, reference_ohm: f64) -> Result<CMatrix, numerics::NumericsError> {
        let n = self.r.n_rows();
        let (z, y) = (self.series(), self.shunt());
        // voltages in volt, currents times the reference: both of one size
        let m = CMatrix::from_fn(2 * n, 2 * n, |i, j| match (i < n, j < n) {
            (true, false) => z[(i, j - n)] * (length_m / reference_ohm),
            (false, true) => y[(i - n, j)] * (length_m * reference_ohm),
            _ => Complex64::default(),
        });
        // near = chain · far, far current flowing onwards
        let chain = exponential(&m);
        // v = a + b, i·reference = a − b (near) or b − a (far, flowing out)
        let mut left = CMatrix::zeros(2 * n, 2 * n);
        let mut right = CMatrix::zeros(2 * n, 2 * n);
        for i in 0..2 * n {
            let near_sign = if i < n { 1.0 } else { -1.0 };
            left[(i, i % n)] += Complex64::from(near_sign);
            right[(i, i % n)] -= Complex64::from(1.0);
            for k in 0..n {
                let (v, c) = (chain[(i, k)], chain[(i, n + k)]);
                left[(i, n + k)] -= v + c;
                right[(i, n + k)] += v - c;
            }
        }
        solve(&left, &right)
    }
}

/// Matrix exponential by scaling and squaring of the power series.
fn exponential(m: &CMatrix) -> CMatrix {
    let size = m.max_abs() * m.n_rows() as f64;
    let halvings = if size > 0.25 { (size / 0.25).log2().ceil() as i32 } else { 0 };
    let small = m.map(|x| x * 0.5f64.powi(halvings));
    let mut sum = CMatrix::identity(m.n_rows());
    let mut term = CMatrix::identity(m.n_rows());
    // 0.25^12/12! is 1e-16
    for k in 1..=12 {
        term = (&term * &small).map(|x| x / f64::from(k));
        sum = &sum + &term;
    }
    for _ in 0..halvings {
        sum = &sum * &sum;
    }
    sum
}
