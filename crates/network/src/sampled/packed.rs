//! A rational model laid out for speed: real arithmetic over entries, one triangle if symmetric.

use crate::rational::{RationalModel, basis};
use numerics::{CMatrix, Complex64};

/// Coefficients of one basis function after the other, each for all kept entries.
#[derive(Debug, Clone)]
pub(super) struct Packed {
    n: usize,
    poles: Vec<Complex64>,
    entries: Vec<(usize, usize)>,
    symmetric: bool,
    coefficients: Vec<f64>,
    constant: Vec<f64>,
}

impl Packed {
    /// A model without slope.
    pub(super) fn new(model: &RationalModel) -> Self {
        let (n, symmetric) = (model.n_ports(), model.is_symmetric());
        let all = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
        let entries: Vec<(usize, usize)> = all.filter(|(i, j)| !symmetric || j >= i).collect();
        let coefficients = model.coefficients.iter().flat_map(|c| entries.iter().map(|&e| c[e])).collect();
        let constant = entries.iter().map(|&e| model.constant[e]).collect();
        Self { n, poles: model.poles.clone(), entries, symmetric, coefficients, constant }
    }

    pub(super) fn n_ports(&self) -> usize {
        self.n
    }

    /// Matrix at a frequency, hertz.
    pub(super) fn at(&self, freq_hz: f64) -> CMatrix {
        let size = self.entries.len();
        let (mut re, mut im) = (self.constant.clone(), vec![0.0; size]);
        let phi = basis(&self.poles, Complex64::new(0.0, std::f64::consts::TAU * freq_hz));
        for (phi, c) in phi.iter().zip(self.coefficients.chunks_exact(size)) {
            for ((re, im), c) in re.iter_mut().zip(&mut im).zip(c) {
                *re += phi.re * c;
                *im += phi.im * c;
            }
        }
        let mut out = CMatrix::zeros(self.n, self.n);
        for (k, &(i, j)) in self.entries.iter().enumerate() {
            out[(i, j)] = Complex64::new(re[k], im[k]);
            if self.symmetric {
                out[(j, i)] = out[(i, j)];
            }
        }
        out
    }
}
