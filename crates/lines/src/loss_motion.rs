//! How resistance and internal inductance change with the dimensions.
//!
//! Input: a solution and a motion. Output: derivatives of both matrices at frequencies.
//! Method: the meshes of charges and of currents are carried along by a small step to either side, nothing is cut
//! anew, and the losses are solved on both; the central difference of these smooth functions is good to the square
//! of the step, which is a thousandth of the smallest dimension of metal.
//! Not here: derivatives of C and of the external L, which need no further solution (see `gradient`).

use crate::loss::MetalProblem;
use crate::section::{CrossSection, Outline};
use crate::solution::symmetric;
use crate::solve::Discrete;
use crate::{LineSolution, LinesError, Motion};
use numerics::RMatrix;

/// Step of the difference over the smallest dimension of metal.
const STEP: f64 = 1e-3;

/// Derivatives of the loss matrices at one frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct LossDerivative {
    /// Frequency, hertz.
    pub freq_hz: f64,
    /// Of the resistance matrix, ohm per metre per unit of the motion.
    pub r: RMatrix,
    /// Of the internal inductance matrix, henry per metre per unit of the motion.
    pub internal_l: RMatrix,
}

impl LineSolution {
    /// Derivatives of resistance and internal inductance along a motion, at each frequency (hertz).
    ///
    /// Costs two solutions of the losses a frequency. Permittivities do not count. Exact to 1e-5 for the discrete
    /// solution, a per cent against closed forms at direct current. Metal that the small step would make touch is
    /// refused like a section.
    pub fn loss_derivative(&self, motion: &Motion, freqs_hz: &[f64]) -> Result<Vec<LossDerivative>, LinesError> {
        motion.check(&self.section)?;
        let n = self.n_lines();
        let speed = motion.speed();
        if speed == 0.0 {
            let none =
                |&freq_hz: &f64| LossDerivative { freq_hz, r: RMatrix::zeros(n, n), internal_l: RMatrix::zeros(n, n) };
            return Ok(freqs_hz.iter().map(none).collect());
        }
        let step = STEP * smallest(&self.section) / speed;
        let (after, before) = (self.moved_losses(motion, step)?, self.moved_losses(motion, -step)?);
        let slope = |a: &RMatrix, b: &RMatrix| RMatrix::from_fn(n, n, |i, j| (a[(i, j)] - b[(i, j)]) / (2.0 * step));
        let at = |&freq_hz: &f64| {
            let ((r1, l1), (r0, l0)) = (after.internal(freq_hz, n)?, before.internal(freq_hz, n)?);
            Ok(LossDerivative { freq_hz, r: slope(&r1, &r0), internal_l: slope(&l1, &l0) })
        };
        freqs_hz.iter().map(at).collect()
    }

    fn moved_losses(&self, motion: &Motion, step: f64) -> Result<MetalProblem, LinesError> {
        let section = motion.moved_section(&self.section, step);
        section.check()?;
        let mesh = motion.moved_mesh(&self.section, &self.mesh, step);
        let currents = motion.moved_mesh(&self.section, self.metal.mesh(), step);
        let empty = Discrete::new(&mesh, self.polynomials, self.n_lines(), false);
        let air = empty.solve(&vec![1.0; section.fillings.len()])?;
        MetalProblem::on(currents, &section, &mesh, &empty, &air, &symmetric(&air.c))
    }
}

/// Smallest edge, radius or wall of the metal, metre.
fn smallest(section: &CrossSection) -> f64 {
    let of = |outline: &Outline| match outline {
        Outline::Solid(c) | Outline::Box(c) => {
            let edge = |k: usize| {
                let (a, b) = (c[k], c[(k + 1) % c.len()]);
                (a[0] - b[0]).hypot(a[1] - b[1])
            };
            (0..c.len()).map(edge).fold(f64::INFINITY, f64::min)
        }
        Outline::Sheet(a, b) => (a[0] - b[0]).hypot(a[1] - b[1]),
        Outline::Wire { radius_m, .. } => *radius_m,
        Outline::Shield { radius_m, wall_m, .. } => radius_m.min(*wall_m),
    };
    section.conductors.iter().map(|c| of(&c.outline)).fold(f64::INFINITY, f64::min)
}
