//! From words to frequency points: counts, order, number formats, matrix layouts, noise.

use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::lines::{Word, number};
use super::option::{Format, Options};
use crate::network::NoisePoint;
use numerics::{CMatrix, Complex64};

/// Order of the pairs of one point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Layout {
    /// Row by row.
    Rows,
    /// 11 21 12 22.
    Columns,
    /// Lower triangle, row by row.
    Lower,
    /// Upper triangle, row by row.
    Upper,
}

/// Where noise resistance is written relative to the reference.
#[derive(Debug, Clone, Copy)]
pub(super) struct NoiseScale {
    /// Ohm of one written unit.
    pub rn_ohm: f64,
}

/// Points collected so far.
pub(super) struct Points<'r> {
    n_ports: usize,
    layout: Layout,
    unit_exponent: i32,
    format: Format,
    lenient: bool,
    pub remarks: &'r mut Vec<Remark>,
    pub freq_hz: Vec<f64>,
    pub matrix: Vec<CMatrix>,
    pub noise: Vec<NoisePoint>,
}

impl<'r> Points<'r> {
    pub(super) fn new(
        n_ports: usize,
        layout: Layout,
        options: &Options,
        lenient: bool,
        remarks: &'r mut Vec<Remark>,
    ) -> Self {
        Self {
            n_ports,
            layout,
            unit_exponent: options.unit_exponent,
            format: options.format,
            lenient,
            remarks,
            freq_hz: vec![],
            matrix: vec![],
            noise: vec![],
        }
    }

    /// Numbers of one point, frequency included.
    pub(super) fn words_per_point(&self) -> usize {
        let n = self.n_ports;
        1 + match self.layout {
            Layout::Rows | Layout::Columns => 2 * n * n,
            Layout::Lower | Layout::Upper => n * (n + 1),
        }
    }

    /// Frequency of a point, hertz.
    pub(super) fn frequency(&mut self, word: &Word<'_>) -> Result<f64, TouchstoneError> {
        let f = number(word, self.unit_exponent, self.lenient, self.remarks)?;
        if f < 0.0 {
            return Err(word.error(Fault::FreqOrder, "a frequency from zero up"));
        }
        Ok(f)
    }

    /// One complete point.
    pub(super) fn push(&mut self, words: &[Word<'_>]) -> Result<(), TouchstoneError> {
        debug_assert_eq!(words.len(), self.words_per_point());
        let f = self.frequency(&words[0])?;
        if let Some(&last) = self.freq_hz.last() {
            if self.lenient && f.total_cmp(&last).is_eq() {
                let text = format!("frequency `{}` repeats; the later point is dropped", words[0].text);
                remark(self.remarks, Warning::RepeatedFrequency, words[0].line, text);
                return Ok(());
            }
            if f <= last {
                return Err(not_rising(&words[0], last));
            }
        }
        let mut pairs = Vec::with_capacity(words.len() / 2);
        for pair in words[1..].chunks_exact(2) {
            pairs.push(self.pair(&pair[0], &pair[1])?);
        }
        self.freq_hz.push(f);
        self.matrix.push(assemble(self.n_ports, self.layout, &pairs));
        Ok(())
    }

    /// One noise point of five numbers.
    pub(super) fn push_noise(&mut self, words: &[Word<'_>], scale: NoiseScale) -> Result<(), TouchstoneError> {
        debug_assert_eq!(words.len(), 5);
        let freq_hz = self.frequency(&words[0])?;
        if let Some(last) = self.noise.last()
            && freq_hz <= last.freq_hz
        {
            return Err(not_rising(&words[0], last.freq_hz));
        }
        let mut value = |k: usize| number(&words[k], 0, self.lenient, self.remarks);
        let (fmin_db, magnitude, angle, rn) = (value(1)?, value(2)?, value(3)?, value(4)?);
        let gamma_opt = polar(magnitude, angle);
        self.noise.push(NoisePoint { freq_hz, fmin_db, gamma_opt, rn_ohm: rn * scale.rn_ohm });
        Ok(())
    }

    fn pair(&mut self, first: &Word<'_>, second: &Word<'_>) -> Result<Complex64, TouchstoneError> {
        if self.lenient && self.format == Format::Db && first.text.to_ascii_lowercase().starts_with("-inf") {
            remark(self.remarks, Warning::ZeroInDb, first.line, format!("`{}` dB read as zero", first.text));
            number(second, 0, true, self.remarks)?;
            return Ok(Complex64::default());
        }
        let x = number(first, 0, self.lenient, self.remarks)?;
        let y = number(second, 0, self.lenient, self.remarks)?;
        let value = match self.format {
            Format::Ri => Complex64::new(x, y),
            Format::Ma => {
                if x < 0.0 {
                    let text = format!("magnitude `{}` is negative; is the format RI?", first.text);
                    remark(self.remarks, Warning::NegativeMagnitude, first.line, text);
                }
                polar(x, y)
            }
            Format::Db => polar(10f64.powf(x / 20.0), y),
        };
        if value.re.is_finite() && value.im.is_finite() {
            return Ok(value);
        }
        Err(first.error(Fault::Number, "a value that fits a double"))
    }
}

fn not_rising(word: &Word<'_>, last_hz: f64) -> TouchstoneError {
    word.error(Fault::FreqOrder, format!("a frequency above the one before ({last_hz:e} Hz)"))
        .advise("sort the points by frequency and give each once")
}

/// `magnitude ∠ degree`, exact at multiples of 90 degrees.
pub(super) fn polar(magnitude: f64, degree: f64) -> Complex64 {
    let turn = degree.rem_euclid(360.0);
    let quadrant = (turn / 90.0).round();
    let rest = (turn - 90.0 * quadrant).to_radians();
    let (sin, cos) = rest.sin_cos();
    let unit = match quadrant as i64 % 4 {
        0 => Complex64::new(cos, sin),
        1 => Complex64::new(-sin, cos),
        2 => Complex64::new(-cos, -sin),
        _ => Complex64::new(sin, -cos),
    };
    unit * magnitude
}

fn assemble(n: usize, layout: Layout, pairs: &[Complex64]) -> CMatrix {
    let mut m = CMatrix::zeros(n, n);
    let mut next = pairs.iter().copied();
    for i in 0..n {
        let columns = match layout {
            Layout::Rows | Layout::Columns => 0..n,
            Layout::Lower => 0..i + 1,
            Layout::Upper => i..n,
        };
        for j in columns {
            let value = next.next().unwrap_or_default();
            match layout {
                Layout::Rows => m[(i, j)] = value,
                Layout::Columns => m[(j, i)] = value,
                Layout::Lower | Layout::Upper => {
                    m[(i, j)] = value;
                    m[(j, i)] = value;
                }
            }
        }
    }
    m
}
