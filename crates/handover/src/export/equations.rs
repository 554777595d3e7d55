//! Expressions of an exported module and their evaluation, with derivatives where charges need them.
//!
//! Input: what [`super::reader`] found. Output: values of slots, in plain or dual numbers.
//! Sums of constants times slots, which make up the whole network, are folded into one list of products.

/// Arithmetic of two expressions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Operator {
    Plus,
    Times,
    Over,
    Less,
    Greater,
}

/// Functions of the subset.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Function {
    Exp,
    Ln,
    Sqrt,
    Pow,
    Abs,
    Min,
    Max,
}

impl Function {
    pub(super) fn named(name: &str) -> Option<Self> {
        Some(match name {
            "exp" => Self::Exp,
            "ln" => Self::Ln,
            "sqrt" => Self::Sqrt,
            "pow" => Self::Pow,
            "abs" => Self::Abs,
            "min" => Self::Min,
            "max" => Self::Max,
            _ => return None,
        })
    }

    pub(super) fn arguments(self) -> usize {
        if matches!(self, Self::Pow | Self::Min | Self::Max) { 2 } else { 1 }
    }
}

/// An expression.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Expression {
    Number(f64),
    Slot(usize),
    Binary(Operator, Box<Expression>, Box<Expression>),
    Call(Function, Vec<Expression>),
    /// A constant and products of constants and slots.
    Affine(f64, Vec<(f64, usize)>),
}

/// A statement of the analog block.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Statement {
    Assign(usize, Expression),
    Choice((Operator, Expression, Expression), Box<Statement>, Box<Statement>),
}

/// A value with its derivative.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Dual {
    pub(super) value: f64,
    pub(super) slope: f64,
}

/// Numbers an expression can be evaluated in.
pub(super) trait Scalar: Copy {
    fn constant(x: f64) -> Self;
    fn value(self) -> f64;
    /// `f(self)` with the given value and derivative of `f`.
    fn mapped(self, value: f64, slope: f64) -> Self;
    fn plus(self, other: Self) -> Self;
    fn times(self, other: Self) -> Self;
}

impl Scalar for f64 {
    fn constant(x: f64) -> Self {
        x
    }
    fn value(self) -> f64 {
        self
    }
    fn mapped(self, value: f64, _slope: f64) -> Self {
        value
    }
    fn plus(self, other: Self) -> Self {
        self + other
    }
    fn times(self, other: Self) -> Self {
        self * other
    }
}

impl Scalar for Dual {
    fn constant(x: f64) -> Self {
        Self { value: x, slope: 0.0 }
    }
    fn value(self) -> f64 {
        self.value
    }
    fn mapped(self, value: f64, slope: f64) -> Self {
        Self { value, slope: slope * self.slope }
    }
    fn plus(self, other: Self) -> Self {
        Self { value: self.value + other.value, slope: self.slope + other.slope }
    }
    fn times(self, other: Self) -> Self {
        Self { value: self.value * other.value, slope: self.slope * other.value + self.value * other.slope }
    }
}

impl Expression {
    pub(super) fn binary(operator: Operator, left: Self, right: Self) -> Self {
        Self::Binary(operator, Box::new(left), Box::new(right))
    }

    pub(super) fn scaled(self, by: f64) -> Self {
        match self {
            Self::Number(x) => Self::Number(by * x),
            other if by.to_bits() == 1f64.to_bits() => other,
            other => Self::binary(Operator::Times, Self::Number(by), other),
        }
    }

    /// The same with affine parts folded.
    pub(super) fn simplified(self) -> Self {
        if let Some((constant, terms)) = self.affine()
            && terms.len() > 1
        {
            return Self::Affine(constant, terms);
        }
        match self {
            Self::Binary(op, a, b) => Self::binary(op, a.simplified(), b.simplified()),
            Self::Call(f, arguments) => Self::Call(f, arguments.into_iter().map(Self::simplified).collect()),
            other => other,
        }
    }

    fn affine(&self) -> Option<(f64, Vec<(f64, usize)>)> {
        match self {
            Self::Number(x) => Some((*x, Vec::new())),
            Self::Slot(s) => Some((0.0, vec![(1.0, *s)])),
            Self::Affine(c, terms) => Some((*c, terms.clone())),
            Self::Binary(Operator::Plus, a, b) => {
                let ((x, mut s), (y, t)) = (a.affine()?, b.affine()?);
                s.extend(t);
                Some((x + y, s))
            }
            Self::Binary(Operator::Times, a, b) => {
                let (one, other) = (a.affine()?, b.affine()?);
                let (by, (x, terms)) = match (one.1.is_empty(), other.1.is_empty()) {
                    (true, _) => (one.0, other),
                    (_, true) => (other.0, one),
                    _ => return None,
                };
                Some((by * x, terms.into_iter().map(|(c, s)| (by * c, s)).collect()))
            }
            Self::Binary(Operator::Over, a, b) => {
                let (one, (by, none)) = (a.affine()?, b.affine()?);
                none.is_empty().then(|| (one.0 / by, one.1.into_iter().map(|(c, s)| (c / by, s)).collect()))
            }
            _ => None,
        }
    }

    pub(super) fn value<T: Scalar>(&self, slots: &[T]) -> T {
        match self {
            Self::Number(x) => T::constant(*x),
            Self::Slot(s) => slots[*s],
            Self::Affine(constant, terms) => {
                terms.iter().fold(T::constant(*constant), |sum, (c, s)| sum.plus(T::constant(*c).times(slots[*s])))
            }
            Self::Binary(op, a, b) => {
                let (a, b) = (a.value(slots), b.value(slots));
                match op {
                    Operator::Plus => a.plus(b),
                    Operator::Times => a.times(b),
                    Operator::Over => a.times(b.mapped(1.0 / b.value(), -1.0 / (b.value() * b.value()))),
                    Operator::Less => T::constant(f64::from(u8::from(a.value() < b.value()))),
                    Operator::Greater => T::constant(f64::from(u8::from(a.value() > b.value()))),
                }
            }
            Self::Call(f, arguments) => {
                let x = arguments[0].value(slots);
                let v = x.value();
                match f {
                    Function::Exp => x.mapped(v.exp(), v.exp()),
                    Function::Ln => x.mapped(v.ln(), 1.0 / v),
                    Function::Sqrt => x.mapped(v.sqrt(), 0.5 / v.sqrt()),
                    Function::Abs => x.mapped(v.abs(), v.signum()),
                    Function::Pow => {
                        // exponents are constants in what we write
                        let p = arguments[1].value(slots).value();
                        x.mapped(v.powf(p), p * v.powf(p - 1.0))
                    }
                    Function::Min | Function::Max => {
                        let y = arguments[1].value(slots);
                        if (v < y.value()) == (*f == Function::Min) { x } else { y }
                    }
                }
            }
        }
    }

    /// Calls `seen` for every slot that is read.
    pub(super) fn slots(&self, seen: &mut dyn FnMut(usize)) {
        match self {
            Self::Number(_) => {}
            Self::Slot(s) => seen(*s),
            Self::Affine(_, terms) => terms.iter().for_each(|(_, s)| seen(*s)),
            Self::Binary(_, a, b) => {
                a.slots(seen);
                b.slots(seen);
            }
            Self::Call(_, arguments) => arguments.iter().for_each(|a| a.slots(seen)),
        }
    }
}

impl Statement {
    pub(super) fn run<T: Scalar>(&self, slots: &mut [T]) {
        match self {
            Self::Assign(slot, value) => slots[*slot] = value.value(slots),
            Self::Choice((operator, left, right), then, otherwise) => {
                let (a, b) = (left.value(slots).value(), right.value(slots).value());
                let holds = if *operator == Operator::Less { a < b } else { a > b };
                if holds { then.run(slots) } else { otherwise.run(slots) }
            }
        }
    }

    /// Slots written.
    pub(super) fn written(&self) -> Vec<usize> {
        match self {
            Self::Assign(slot, _) => vec![*slot],
            Self::Choice(_, a, b) => [a.written(), b.written()].concat(),
        }
    }

    /// Slots read.
    pub(super) fn read(&self, seen: &mut dyn FnMut(usize)) {
        match self {
            Self::Assign(_, value) => value.slots(seen),
            Self::Choice((_, l, r), a, b) => {
                l.slots(seen);
                r.slots(seen);
                a.read(seen);
                b.read(seen);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derivatives against central differences, whose error falls with the square of the step.
    #[test]
    fn dual_numbers_follow_differences() {
        let x = || Expression::Slot(0);
        let all = [
            Expression::Call(Function::Exp, vec![x()]),
            Expression::Call(Function::Ln, vec![x()]),
            Expression::Call(Function::Sqrt, vec![x()]),
            Expression::Call(Function::Pow, vec![x(), Expression::Number(0.3)]),
            Expression::binary(Operator::Over, Expression::Number(1.0), x()),
            Expression::binary(Operator::Times, x(), x()),
        ];
        for e in all {
            let h = 1e-5;
            let difference = (e.value(&[0.7 + h]) - e.value(&[0.7 - h])) / (2.0 * h);
            let dual = e.value(&[Dual { value: 0.7, slope: 1.0 }]);
            assert!((dual.slope - difference).abs() < 1e-8, "{e:?}: {} {difference}", dual.slope);
        }
    }

    #[test]
    fn affine_sums_are_folded() {
        let two = Expression::Slot(0).scaled(2.0);
        let e = Expression::binary(Operator::Plus, two, Expression::Slot(1).scaled(-3.0)).simplified();
        assert_eq!(e, Expression::Affine(0.0, vec![(2.0, 0), (-3.0, 1)]));
        assert_eq!(e.value(&[5.0, 1.0]).to_bits(), 7f64.to_bits());
    }
}
