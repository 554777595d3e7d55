//! The number types a factor can be made of.

use num_complex::{Complex32, Complex64};
use std::ops::{Add, AddAssign, Div, DivAssign, Mul, MulAssign, Neg, Sub, SubAssign};

/// A real or complex number in single or double precision.
pub trait Scalar:
    faer::traits::ComplexField
    + Copy
    + Default
    + Send
    + Sync
    + PartialEq
    + std::fmt::Debug
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
    + SubAssign
    + MulAssign
    + DivAssign
    + 'static
{
    /// Real floating-point operations of one multiplication with addition.
    const FLOPS_PER_MULTIPLY_ADD: f64;
    /// Relative spacing of numbers of this type.
    const EPSILON: f64;
    /// The number one.
    fn unit() -> Self;
    /// Magnitude.
    fn modulus(self) -> f64;
    /// The number as a complex one in double precision.
    fn widen(self) -> Complex64;
    /// The nearest number of this type; a real type drops the imaginary part.
    fn narrow(x: Complex64) -> Self;
    /// Multiplied by a real number.
    fn scaled(self, by: f64) -> Self;
}

impl Scalar for f64 {
    const FLOPS_PER_MULTIPLY_ADD: f64 = 2.0;
    const EPSILON: f64 = f64::EPSILON;
    fn unit() -> Self {
        1.0
    }
    fn modulus(self) -> f64 {
        self.abs()
    }
    fn widen(self) -> Complex64 {
        self.into()
    }
    fn narrow(x: Complex64) -> Self {
        x.re
    }
    fn scaled(self, by: f64) -> Self {
        self * by
    }
}

impl Scalar for Complex64 {
    const FLOPS_PER_MULTIPLY_ADD: f64 = 8.0;
    const EPSILON: f64 = f64::EPSILON;
    fn unit() -> Self {
        1.0.into()
    }
    fn modulus(self) -> f64 {
        // Entries of equilibrated systems are far from the limits of the exponent that `hypot` guards.
        self.norm_sqr().sqrt()
    }
    fn widen(self) -> Complex64 {
        self
    }
    fn narrow(x: Complex64) -> Self {
        x
    }
    fn scaled(self, by: f64) -> Self {
        self * by
    }
}

impl Scalar for Complex32 {
    const FLOPS_PER_MULTIPLY_ADD: f64 = 8.0;
    const EPSILON: f64 = f32::EPSILON as f64;
    fn unit() -> Self {
        1.0.into()
    }
    fn modulus(self) -> f64 {
        self.widen().norm_sqr().sqrt()
    }
    fn widen(self) -> Complex64 {
        Complex64::new(self.re.into(), self.im.into())
    }
    fn narrow(x: Complex64) -> Self {
        Self::new(x.re as f32, x.im as f32)
    }
    fn scaled(self, by: f64) -> Self {
        Self::narrow(self.widen() * by)
    }
}
