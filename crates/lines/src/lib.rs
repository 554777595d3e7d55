//! Two-dimensional cross-section of coupled lines: matrices per metre, with error estimate and derivatives.
//!
//! Use it for: any number of thick (convex polygon), thin (sheet) or round conductors in layered dielectric, open,
//! with a ground plane, a lid, side walls or inside a metal box: capacitance, inductance, conductance and
//! resistance matrices ([`solve_lines`], [`LineSolution::at`]), modes, a length of line as a multiport
//! ([`LineBlock`]), and derivatives by every dimension and permittivity ([`LineSolution::derivative`]).
//! Not for: dispersion by longitudinal fields; the matrices are quasi-static. [`LayeredStrip`] says how large it is for
//! one thin strip.
//! Input: [`CrossSection`], by hand or from layers ([`section_of_stack`]). Output: [`LineSolution`] and a report.
//! Conventions: metre, farad per metre, henry per metre; rows follow the lines in the order of the conductors,
//! reference conductors left out; `ε = ε' − jε''`, `exp(+jωt)`.
//! Method: charges with Legendre polynomials on panels graded towards corners, exact panel integrals, adjoint
//! charges for the derivatives; see `kernel`, `mesh`, `solve`, `gradient`, `loss`.
//!
//! ```
//! # use mixwright_lines as lines;
//! use lines::{Conductor, CrossSection, Filling, LineSettings, Surface, solve_lines};
//! let silica = Filling::lossless(3.8);
//! let air = Filling::lossless(1.0);
//! let strip = Conductor::strip("line", [-130e-6, 130e-6], [127e-6, 130e-6], Surface::PERFECT);
//! let section = CrossSection::over_ground(&[(127e-6, silica), (f64::INFINITY, air)], vec![strip]);
//! let (solution, _) = solve_lines(&section, &LineSettings::default())?;
//! let mode = &solution.modes()?[0];
//! assert!((mode.line_impedance_ohm(0) - 50.76).abs() < 0.05);
//! # Ok::<(), lines::LinesError>(())
//! ```

// the index of a polynomial runs over several tables at once
#![allow(clippy::needless_range_loop)]

mod dispersion;
mod error;
mod gradient;
mod kernel;
mod loss;
mod loss_motion;
mod matrices;
mod mesh;
mod motion;
mod section;
mod solution;
mod solve;
mod stack;
mod table;

pub use dispersion::LayeredStrip;
pub use error::LinesError;
pub use loss::skin_depth;
pub use loss_motion::LossDerivative;
pub use matrices::{LineBlock, LineMatrices, Mode, PairConstants};
pub use motion::Motion;
pub use section::{Conductor, CrossSection, Filling, Layer, Outline, Surface};
pub use solution::{LineDerivative, LineSettings, LineSolution, solve_lines};
pub use stack::{StackLines, Strip, section_of_stack};
pub use table::{LineData, LineTable};
