//! Entry-by-entry products of complex vectors, in the widest registers of the machine.

use crate::Complex64;
use crate::wide::wide;

/// `y_i − a_i·x_i` in place of `y`.
pub fn subtract_products(y: &mut [Complex64], a: &[Complex64], x: &[Complex64]) {
    assert!(y.len() == a.len() && a.len() == x.len(), "lengths");
    wide(|| {
        for ((y, a), x) in y.iter_mut().zip(a).zip(x) {
            *y -= a * x;
        }
    });
}
