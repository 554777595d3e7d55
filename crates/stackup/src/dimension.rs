//! A number of the process: nominal value, spread, and who may choose it.

/// Who decides a number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Freedom {
    /// The process fixes it.
    Fixed,
    /// The designer may choose it within these limits, in the unit of the number.
    Free {
        /// Smallest allowed value.
        min: f64,
        /// Largest allowed value.
        max: f64,
    },
}

/// One number with its spread; the unit (metre or 1) is stated where it is used.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dimension {
    /// Nominal value.
    pub nominal: f64,
    /// Standard deviation, same unit.
    pub sd: f64,
    /// Who may choose it.
    pub freedom: Freedom,
}

impl Dimension {
    /// A fixed number without spread.
    pub const fn exact(nominal: f64) -> Self {
        Self { nominal, sd: 0.0, freedom: Freedom::Fixed }
    }

    /// A fixed number with standard deviation `sd`.
    pub const fn fixed(nominal: f64, sd: f64) -> Self {
        Self { nominal, sd, freedom: Freedom::Fixed }
    }

    /// A number the designer may choose between `min` and `max`.
    pub const fn free(nominal: f64, sd: f64, min: f64, max: f64) -> Self {
        Self { nominal, sd, freedom: Freedom::Free { min, max } }
    }

    /// The same number with another nominal value; the relative spread is kept when the value is chosen.
    pub fn chosen(self, nominal: f64) -> Self {
        let sd = if self.nominal == 0.0 { self.sd } else { self.sd * (nominal / self.nominal).abs() };
        Self { nominal, sd, ..self }
    }

    /// Why the number cannot be used, when it cannot.
    pub(crate) fn fault(&self, smallest: f64) -> Option<String> {
        if !self.nominal.is_finite() || self.nominal < smallest {
            return Some(format!("expected a finite number of at least {smallest}, found {}", self.nominal));
        }
        if !(self.sd.is_finite() && self.sd >= 0.0) {
            return Some(format!("expected a standard deviation of zero or more, found {}", self.sd));
        }
        match self.freedom {
            Freedom::Free { min, max } if !(min <= self.nominal && self.nominal <= max) => {
                Some(format!("expected a value within its free range {min}…{max}, found {}", self.nominal))
            }
            _ => None,
        }
    }
}
