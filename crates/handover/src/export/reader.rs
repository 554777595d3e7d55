//! Reads the subset of Verilog-A that [`super::verilog`] writes, so that the exported text itself can be checked.
//!
//! Input: the text of one module. Output: a [`Circuit`]: nodes, statements in order, and for each node the current that
//! leaves it, split into a conductive part and a charge whose time derivative is the rest.
//! The subset: comments, compiler directives (skipped), `module`, `inout`, `electrical`, `real`, `parameter real` with a
//! literal number, one `analog begin … end` block of assignments, `if (a < b) x = …; else x = …;`, contributions
//! `I(node)` or `I(node, reference) <+ …` with `ddt( )` as a whole term, operators `+ - * /` and comparisons, the
//! functions `exp ln sqrt pow abs min max`. Everything else is refused with its line: this is a reader of our own
//! exports, no simulator.
//! The last port of the module is the reference node.

use super::equations::{Expression, Function, Operator, Statement};
use crate::HandoverError;
use std::collections::BTreeMap;

/// A module read from its text.
#[derive(Debug, Clone)]
pub struct Circuit {
    /// Name of the module.
    pub name: String,
    /// Names of the ports, the reference node left out.
    pub ports: Vec<String>,
    /// All nodes, ports first; the slots of the same numbers hold their voltages.
    pub(super) nodes: Vec<String>,
    /// Number of slots: nodes, then variables and parameters.
    pub(super) n_slots: usize,
    /// Parameters with their values, then the analog block.
    pub(super) statements: Vec<Statement>,
    /// For each node, the current leaving it through the module, ampere.
    pub(super) currents: Vec<Vec<Expression>>,
    /// For each node, the charge whose derivative leaves it as well, coulomb.
    pub(super) charges: Vec<Vec<Expression>>,
}

#[derive(Debug, Clone, PartialEq)]
enum Token {
    Word(String),
    Number(f64),
    Sign(&'static str),
}

const SIGNS: [&str; 17] = ["<+", "<=", ">=", "<", ">", "=", "+", "-", "*", "/", "(", ")", ",", ";", "[", "]", ":"];

fn refused(line: usize, expected: impl Into<String>, found: impl Into<String>) -> HandoverError {
    HandoverError::mismatch(expected, found, format!("line {line} of the exported module"))
}

/// Tokens with their lines.
fn tokens(text: &str) -> Result<Vec<(Token, usize)>, HandoverError> {
    let mut out = Vec::new();
    for (i, line) in text.lines().enumerate() {
        let line = line.split("//").next().unwrap_or("");
        if line.trim_start().starts_with('`') {
            continue;
        }
        let mut rest = line.trim_start();
        while let Some(first) = rest.chars().next() {
            let length = if first.is_ascii_alphabetic() || first == '_' {
                let n = rest.find(|c: char| !(c.is_ascii_alphanumeric() || c == '_')).unwrap_or(rest.len());
                out.push((Token::Word(rest[..n].to_owned()), i + 1));
                n
            } else if first.is_ascii_digit() {
                let n = number_length(rest);
                let value = rest[..n].parse().map_err(|_| refused(i + 1, "a number", format!("`{}`", &rest[..n])))?;
                out.push((Token::Number(value), i + 1));
                n
            } else if let Some(sign) = SIGNS.iter().find(|s| rest.starts_with(**s)) {
                out.push((Token::Sign(sign), i + 1));
                sign.len()
            } else {
                return Err(refused(i + 1, "the subset this program writes", format!("`{first}`")));
            };
            rest = rest[length..].trim_start();
        }
    }
    Ok(out)
}

fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let mut n = 0;
    while n < bytes.len() {
        let exponent_sign = matches!(bytes[n], b'+' | b'-') && n > 0 && matches!(bytes[n - 1], b'e' | b'E');
        if !(bytes[n].is_ascii_digit() || matches!(bytes[n], b'.' | b'e' | b'E') || exponent_sign) {
            break;
        }
        n += 1;
    }
    n
}

struct Reader {
    tokens: Vec<(Token, usize)>,
    at: usize,
    nodes: Vec<String>,
    reference: String,
    variables: BTreeMap<String, usize>,
    declared: Vec<String>,
}

/// Reads a module.
///
/// # Errors
/// Anything outside the subset, with its line.
pub fn read(text: &str) -> Result<Circuit, HandoverError> {
    let mut reader = Reader {
        tokens: tokens(text)?,
        at: 0,
        nodes: Vec::new(),
        reference: String::new(),
        variables: BTreeMap::new(),
        declared: Vec::new(),
    };
    reader.module()
}

impl Reader {
    fn line(&self) -> usize {
        self.tokens.get(self.at).or(self.tokens.last()).map_or(0, |t| t.1)
    }

    fn found(&self) -> String {
        match self.tokens.get(self.at).map(|t| &t.0) {
            Some(Token::Word(w)) => format!("`{w}`"),
            Some(Token::Number(x)) => format!("`{x}`"),
            Some(Token::Sign(s)) => format!("`{s}`"),
            None => "the end of the text".into(),
        }
    }

    fn refuse<T>(&self, expected: &str) -> Result<T, HandoverError> {
        Err(refused(self.line(), expected, self.found()))
    }

    fn is(&self, sign: &str) -> bool {
        matches!(self.tokens.get(self.at), Some((Token::Sign(s), _)) if *s == sign)
    }

    fn is_word(&self, word: &str) -> bool {
        matches!(self.tokens.get(self.at), Some((Token::Word(w), _)) if w == word)
    }

    fn take(&mut self, sign: &str) -> Result<(), HandoverError> {
        if !self.is(sign) {
            return self.refuse(&format!("`{sign}`"));
        }
        self.at += 1;
        Ok(())
    }

    fn taken(&mut self, sign: &str) -> bool {
        let is = self.is(sign);
        self.at += usize::from(is);
        is
    }

    fn word(&mut self) -> Result<String, HandoverError> {
        let Some((Token::Word(w), _)) = self.tokens.get(self.at) else { return self.refuse("a name") };
        let w = w.clone();
        self.at += 1;
        Ok(w)
    }

    fn keyword(&mut self, word: &str) -> Result<(), HandoverError> {
        if !self.is_word(word) {
            return self.refuse(&format!("`{word}`"));
        }
        self.at += 1;
        Ok(())
    }

    /// Names separated by commas up to `end`.
    fn names(&mut self, end: &str) -> Result<Vec<String>, HandoverError> {
        let mut out = vec![self.word()?];
        while self.taken(",") {
            out.push(self.word()?);
        }
        self.take(end)?;
        Ok(out)
    }

    fn module(&mut self) -> Result<Circuit, HandoverError> {
        self.keyword("module")?;
        let name = self.word()?;
        self.take("(")?;
        let mut ports = self.names(")")?;
        self.take(";")?;
        let (Some(reference), false) = (ports.pop(), ports.is_empty()) else {
            return self.refuse("ports and a reference node");
        };
        self.reference = reference;
        self.nodes.clone_from(&ports);
        let mut parameters = Vec::new();
        let mut real = Vec::new();
        while !self.is_word("analog") {
            let kind = self.word()?;
            match kind.as_str() {
                "inout" => drop(self.names(";")?),
                "electrical" => {
                    for n in self.names(";")? {
                        if n != self.reference && !self.nodes.contains(&n) {
                            self.nodes.push(n);
                        }
                    }
                }
                "real" => real.extend(self.names(";")?),
                "parameter" => {
                    self.keyword("real")?;
                    let name = self.word()?;
                    self.take("=")?;
                    let sign = if self.taken("-") { -1.0 } else { 1.0 };
                    let Some((Token::Number(x), _)) = self.tokens.get(self.at) else {
                        return self.refuse("a number");
                    };
                    parameters.push((name, sign * x));
                    self.at += 1;
                    self.take(";")?;
                }
                _ => {
                    self.at -= 1;
                    return self.refuse("`inout`, `electrical`, `real`, `parameter` or `analog`");
                }
            }
        }
        // slots: nodes, then everything else
        for name in parameters.iter().map(|p| &p.0).chain(&real) {
            let slot = self.nodes.len() + self.variables.len();
            if self.variables.insert(name.clone(), slot).is_some() {
                return Err(refused(self.line(), "each name once", format!("`{name}` twice")));
            }
        }
        self.declared = real;
        let mut statements: Vec<Statement> =
            parameters.iter().map(|(n, x)| Statement::Assign(self.variables[n], Expression::Number(*x))).collect();
        self.keyword("analog")?;
        self.keyword("begin")?;
        let n = self.nodes.len();
        let (mut currents, mut charges) = (vec![Vec::new(); n], vec![Vec::new(); n]);
        while !self.is_word("end") {
            if self.is_word("I") {
                self.contribution(&mut currents, &mut charges)?;
            } else {
                statements.push(self.statement()?);
            }
        }
        self.keyword("end")?;
        self.keyword("endmodule")?;
        let n_slots = n + self.variables.len();
        Ok(Circuit { name, ports, nodes: std::mem::take(&mut self.nodes), n_slots, statements, currents, charges })
    }

    fn statement(&mut self) -> Result<Statement, HandoverError> {
        if self.is_word("if") {
            self.at += 1;
            self.take("(")?;
            let left = self.sum()?;
            let operator = match &self.tokens.get(self.at) {
                Some((Token::Sign("<"), _)) => Operator::Less,
                Some((Token::Sign(">"), _)) => Operator::Greater,
                _ => return self.refuse("`<` or `>`"),
            };
            self.at += 1;
            let right = self.sum()?;
            self.take(")")?;
            let then = self.statement()?;
            self.keyword("else")?;
            let otherwise = self.statement()?;
            let condition = (operator, left, right);
            return Ok(Statement::Choice(condition, Box::new(then), Box::new(otherwise)));
        }
        let name = self.word()?;
        let Some(&slot) = self.variables.get(&name).filter(|_| self.declared.contains(&name)) else {
            self.at -= 1;
            return self.refuse("a variable declared `real`");
        };
        self.take("=")?;
        let value = self.sum()?;
        self.take(";")?;
        Ok(Statement::Assign(slot, value.simplified()))
    }

    fn contribution(
        &mut self,
        currents: &mut [Vec<Expression>],
        charges: &mut [Vec<Expression>],
    ) -> Result<(), HandoverError> {
        self.keyword("I")?;
        let node = self.branch()?;
        self.take("<+")?;
        let mut sign = if self.taken("-") { -1.0 } else { 1.0 };
        let mut conductive = Vec::new();
        loop {
            if self.is_word("ddt") {
                self.at += 1;
                self.take("(")?;
                let charge = self.sum()?;
                self.take(")")?;
                charges[node].push(charge.scaled(sign).simplified());
            } else {
                conductive.push(self.product()?.scaled(sign));
            }
            if self.taken(";") {
                break;
            }
            sign = if self.taken("+") {
                1.0
            } else {
                self.take("-")?;
                -1.0
            };
        }
        if let Some(all) = conductive.into_iter().reduce(|a, b| Expression::binary(Operator::Plus, a, b)) {
            currents[node].push(all.simplified());
        }
        Ok(())
    }

    /// `(node)` or `(node, reference)`.
    fn branch(&mut self) -> Result<usize, HandoverError> {
        self.take("(")?;
        let name = self.word()?;
        let Some(node) = self.nodes.iter().position(|n| *n == name) else {
            self.at -= 1;
            return self.refuse("a node");
        };
        if self.taken(",") && self.word()? != self.reference {
            self.at -= 1;
            return self.refuse("the reference node");
        }
        self.take(")")?;
        Ok(node)
    }

    fn sum(&mut self) -> Result<Expression, HandoverError> {
        let mut left = if self.taken("-") { self.product()?.scaled(-1.0) } else { self.product()? };
        loop {
            if self.taken("+") {
                left = Expression::binary(Operator::Plus, left, self.product()?);
            } else if self.taken("-") {
                left = Expression::binary(Operator::Plus, left, self.product()?.scaled(-1.0));
            } else {
                return Ok(left);
            }
        }
    }

    fn product(&mut self) -> Result<Expression, HandoverError> {
        let mut left = self.factor()?;
        loop {
            if self.taken("*") {
                left = Expression::binary(Operator::Times, left, self.factor()?);
            } else if self.taken("/") {
                left = Expression::binary(Operator::Over, left, self.factor()?);
            } else {
                return Ok(left);
            }
        }
    }

    fn factor(&mut self) -> Result<Expression, HandoverError> {
        match self.tokens.get(self.at).cloned() {
            Some((Token::Number(x), _)) => {
                self.at += 1;
                Ok(Expression::Number(x))
            }
            Some((Token::Sign("("), _)) => {
                self.at += 1;
                let inner = self.sum()?;
                self.take(")")?;
                Ok(inner)
            }
            Some((Token::Sign("-"), _)) => {
                self.at += 1;
                Ok(self.factor()?.scaled(-1.0))
            }
            Some((Token::Word(w), _)) => {
                self.at += 1;
                if w == "V" {
                    return Ok(Expression::Slot(self.branch()?));
                }
                if let Some(function) = Function::named(&w) {
                    self.take("(")?;
                    let mut arguments = vec![self.sum()?];
                    while self.taken(",") {
                        arguments.push(self.sum()?);
                    }
                    self.take(")")?;
                    if arguments.len() != function.arguments() {
                        return self.refuse(&format!("{} arguments of `{w}` before", function.arguments()));
                    }
                    return Ok(Expression::Call(function, arguments));
                }
                match self.variables.get(&w) {
                    Some(&slot) => Ok(Expression::Slot(slot)),
                    None => {
                        self.at -= 1;
                        self.refuse("a variable, a parameter, `V( )` or a function of the subset")
                    }
                }
            }
            _ => self.refuse("a number, a name or a bracket"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RC: &str = "`include \"disciplines.vams\"\nmodule rc(p, ref);\n  inout p, ref;\n  electrical p, ref;\n  \
        parameter real g = 2.0e-3; // siemens\n  real i;\n  analog begin\n    i = g*V(p, ref);\n    if (i > 1) i = 1; \
        else i = i*1;\n    I(p, ref) <+ i + ddt(1.0e-12*V(p, ref));\n  end\nendmodule\n";

    #[test]
    fn reads_what_it_should() {
        let c = read(RC).expect("the text of this test is a module");
        assert_eq!((c.name.as_str(), c.ports.clone(), c.n_slots), ("rc", vec!["p".to_string()], 3));
        assert_eq!((c.currents[0].len(), c.charges[0].len(), c.statements.len()), (1, 1, 3));
    }

    #[test]
    fn refuses_what_is_outside_the_subset_with_its_line() {
        for (old, new, line, word) in [
            ("i = g*V(p, ref);", "i = tanh(V(p, ref));", 8, "`tanh`"),
            ("I(p, ref) <+ i", "I(q, ref) <+ i", 10, "`q`"),
            ("real i;", "integer i;", 6, "`integer`"),
            ("else", "", 9, "`i`"),
            ("2.0e-3", "g0", 5, "`g0`"),
            ("endmodule", "", 11, "the end of the text"),
        ] {
            let error = read(&RC.replace(old, new)).expect_err("a module spoilt is refused").to_string();
            assert!(error.contains(&format!("line {line} ")) && error.contains(word), "{error}");
        }
    }
}
