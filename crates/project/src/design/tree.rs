//! A TOML document read with positions; every complaint is collected, none stops the reading.
//!
//! A [`Table`] remembers which keys were asked for; [`Table::finish`] reports the others as unknown.

use super::problem::{DesignError, Problem, ProblemKind};
use quantity::{Quantity, QuantityError};
use std::cell::RefCell;
use std::collections::BTreeSet;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct At<T> {
    /// The value.
    pub value: T,
    /// Bytes of the file.
    pub span: Range<usize>,
}

impl<T> At<T> {
    /// The same place with another value.
    pub(crate) fn with<U>(&self, value: U) -> At<U> {
        At { value, span: self.span.clone() }
    }
}

/// Which numbers are possible.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Rule {
    /// Any finite number.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
}

/// Rows of texts, each text and row with its place.
pub(crate) type TextRows = Vec<At<Vec<At<String>>>>;

/// Collects problems.
#[derive(Debug, Default)]
pub(crate) struct Sink {
    problems: RefCell<Vec<Problem>>,
    elsewhere: RefCell<Option<DesignError>>,
    asked: RefCell<BTreeSet<String>>,
}

impl Sink {
    pub(crate) fn push(&self, kind: ProblemKind, span: Range<usize>, message: String, help: impl Into<String>) {
        self.problems.borrow_mut().push(Problem { kind, message, span, help: help.into() });
    }

    /// Takes note of a file named by the design that has problems of its own.
    pub(crate) fn elsewhere(&self, error: DesignError) {
        self.elsewhere.borrow_mut().get_or_insert(error);
    }

    /// The first file named by the design that has problems; they come before those of the design itself.
    pub(crate) fn take_elsewhere(&self) -> Option<DesignError> {
        self.elsewhere.borrow_mut().take()
    }

    /// The problems in file order.
    pub(crate) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|p| (p.span.start, p.span.end));
        problems
    }

    /// True when something was reported.
    pub(crate) fn is_empty(&self) -> bool {
        self.problems.borrow().is_empty() && self.elsewhere.borrow().is_none()
    }

    /// Every key that was asked for, with the path of its table.
    #[cfg(test)]
    pub(crate) fn asked(&self) -> BTreeSet<String> {
        self.asked.borrow().clone()
    }
}

/// One table of the document.
pub(crate) struct Table<'a> {
    table: &'a DeTable<'a>,
    /// Bytes of the table's header or braces.
    pub(crate) span: Range<usize>,
    /// Path for messages, for example `circuit.resistor`.
    path: String,
    used: RefCell<BTreeSet<String>>,
    sink: &'a Sink,
}

impl<'a> Table<'a> {
    pub(crate) fn new(table: &'a DeTable<'a>, span: Range<usize>, path: &str, sink: &'a Sink) -> Self {
        Self { table, span, path: path.into(), used: RefCell::default(), sink }
    }

    /// The collector of problems.
    pub(crate) fn sink(&self) -> &'a Sink {
        self.sink
    }

    /// The value of `key`, which counts as known from now on.
    pub(crate) fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.used.borrow_mut().insert(key.into());
        self.sink.asked.borrow_mut().insert(self.path_of(key));
        self.table.get(key)
    }

    /// True when the file has `key`.
    pub(crate) fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.into() } else { format!("{}.{key}", self.path) }
    }

    /// Bytes of the key itself.
    pub(crate) fn key_span(&self, key: &str) -> Range<usize> {
        self.table.get_key_value(key).map_or(self.span.clone(), |(k, _)| k.span())
    }

    fn missing(&self, key: &str, help: &str) {
        let place = if self.path.is_empty() { "the file".into() } else { format!("`{}`", self.path) };
        self.sink.push(ProblemKind::MissingKey, self.span.clone(), format!("{place} has no `{key}`"), help);
    }

    fn wrong_type(&self, span: Range<usize>, key: &str, expected: &str, found: &DeValue<'_>) {
        let message = format!("`{key}` must be {expected}, found {}", type_name(found));
        self.sink.push(ProblemKind::WrongType, span, message, format!("write {expected} here"));
    }

    /// A text, or none.
    pub(crate) fn text(&self, key: &str) -> Option<At<String>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::String(s) => Some(At { value: s.to_string(), span: value.span() }),
            other => {
                self.wrong_type(value.span(), key, "a text in quotes", other);
                None
            }
        }
    }

    /// A text that must be there and not be empty.
    pub(crate) fn required_text(&self, key: &str, help: &str) -> Option<At<String>> {
        if !self.has(key) {
            self.missing(key, help);
            return None;
        }
        let text = self.text(key)?;
        if text.value.trim().is_empty() {
            self.sink.push(ProblemKind::ImpossibleValue, text.span, format!("`{key}` is empty"), help);
            return None;
        }
        Some(text)
    }

    /// One of several words.
    pub(crate) fn word<T: Copy>(&self, key: &str, choices: &[(&str, T)]) -> Option<At<T>> {
        let text = self.text(key)?;
        if let Some((_, value)) = choices.iter().find(|(w, _)| *w == text.value) {
            return Some(text.with(*value));
        }
        let words: Vec<&str> = choices.iter().map(|(w, _)| *w).collect();
        let message = format!("`{key}` cannot be `{}`", text.value);
        self.sink.push(ProblemKind::UnknownWord, text.span, message, meant_or_list(&text.value, &words));
        None
    }

    /// A quantity, or none.
    pub(crate) fn quantity<Q: Quantity>(&self, key: &str, rule: Rule) -> Option<At<Q>> {
        let value = self.get(key)?;
        self.read_quantity(key, value, rule)
    }

    /// A quantity that must be there.
    pub(crate) fn required<Q: Quantity>(&self, key: &str, rule: Rule) -> Option<At<Q>> {
        if !self.has(key) {
            self.missing(key, &format!("add `{key} = \"{}\"` with your own {}", example::<Q>(), Q::WORDS.name));
            return None;
        }
        self.quantity(key, rule)
    }

    /// A plain number without unit, or none.
    pub(crate) fn number(&self, key: &str, rule: Rule) -> Option<At<f64>> {
        let value = self.get(key)?;
        let number = match value.get_ref() {
            DeValue::Integer(i) => i.to_string().parse::<f64>().ok(),
            DeValue::Float(x) => x.as_str().parse::<f64>().ok(),
            other => {
                self.wrong_type(value.span(), key, "a plain number without quotes", other);
                return None;
            }
        };
        let at = At { value: number.filter(|x| x.is_finite()), span: value.span() };
        let Some(x) = at.value else {
            let message = format!("`{key}` is not a finite number");
            self.sink.push(ProblemKind::ImpossibleValue, at.span, message, "write a finite number");
            return None;
        };
        self.possible(key, x, rule, &at.span).then(|| at.with(x))
    }

    /// A whole number in a range, or none.
    pub(crate) fn count(&self, key: &str, range: std::ops::RangeInclusive<usize>) -> Option<At<usize>> {
        let value = self.get(key)?;
        let DeValue::Integer(i) = value.get_ref() else {
            self.wrong_type(value.span(), key, "a whole number without quotes", value.get_ref());
            return None;
        };
        match i.as_str().parse::<usize>().ok().filter(|n| i.radix() == 10 && range.contains(n)) {
            Some(n) => Some(At { value: n, span: value.span() }),
            None => {
                let expected = if range.start() == range.end() {
                    range.start().to_string()
                } else {
                    format!("{} to {}", range.start(), range.end())
                };
                let message = format!("`{key}` is {i}; expected {expected}");
                let help = format!("write {expected}");
                self.sink.push(ProblemKind::ImpossibleValue, value.span(), message, help);
                None
            }
        }
    }

    /// `true` or `false`, or none.
    pub(crate) fn flag(&self, key: &str) -> Option<bool> {
        let value = self.get(key)?;
        if let DeValue::Boolean(b) = value.get_ref() {
            return Some(*b);
        }
        self.wrong_type(value.span(), key, "true or false", value.get_ref());
        None
    }

    /// The items of a list, or none when the key is absent or not a list.
    pub(crate) fn list(&self, key: &str) -> Option<At<Vec<&'a Spanned<DeValue<'a>>>>> {
        let value = self.get(key)?;
        if let DeValue::Array(items) = value.get_ref() {
            return Some(At { value: items.iter().collect(), span: value.span() });
        }
        self.wrong_type(value.span(), key, "a list in brackets", value.get_ref());
        None
    }

    /// A list of texts.
    pub(crate) fn texts(&self, key: &str) -> Option<At<Vec<At<String>>>> {
        let list = self.list(key)?;
        let texts: Option<Vec<_>> = list.value.iter().map(|item| self.item_text(key, item)).collect();
        texts.map(|t| At { value: t, span: list.span })
    }

    fn item_text(&self, key: &str, item: &Spanned<DeValue<'a>>) -> Option<At<String>> {
        match item.get_ref() {
            DeValue::String(s) => Some(At { value: s.to_string(), span: item.span() }),
            other => {
                self.wrong_type(item.span(), key, "a list of texts in quotes", other);
                None
            }
        }
    }

    /// A list of lists of texts.
    pub(crate) fn text_rows(&self, key: &str) -> Option<At<TextRows>> {
        let list = self.list(key)?;
        let mut rows = Vec::new();
        for row in &list.value {
            let DeValue::Array(items) = row.get_ref() else {
                self.wrong_type(row.span(), key, "a list of lists", row.get_ref());
                return None;
            };
            let texts: Option<Vec<_>> = items.iter().map(|item| self.item_text(key, item)).collect();
            rows.push(At { value: texts?, span: row.span() });
        }
        Some(At { value: rows, span: list.span })
    }

    /// A list of plain numbers.
    pub(crate) fn numbers(&self, key: &str) -> Option<At<Vec<f64>>> {
        let list = self.list(key)?;
        let mut numbers = Vec::new();
        for item in &list.value {
            let number = match item.get_ref() {
                DeValue::Integer(i) => i.to_string().parse::<f64>().ok(),
                DeValue::Float(x) => x.as_str().parse::<f64>().ok(),
                _ => None,
            };
            let Some(number) = number.filter(|x| x.is_finite()) else {
                self.wrong_type(item.span(), key, "a list of finite numbers", item.get_ref());
                return None;
            };
            numbers.push(number);
        }
        Some(At { value: numbers, span: list.span })
    }

    /// A list of quantities.
    pub(crate) fn quantities<Q: Quantity>(&self, key: &str, rule: Rule) -> Option<At<Vec<At<Q>>>> {
        let list = self.list(key)?;
        let read: Vec<Option<At<Q>>> = list.value.iter().map(|item| self.read_quantity(key, item, rule)).collect();
        let values: Option<Vec<_>> = read.into_iter().collect();
        values.map(|v| At { value: v, span: list.span })
    }

    /// Two quantities, the second above the first.
    pub(crate) fn band<Q: Quantity>(&self, key: &str, rule: Rule) -> Option<At<(Q, Q)>> {
        let list = self.quantities::<Q>(key, rule)?;
        let [low, high] = list.value.as_slice() else {
            let message = format!("`{key}` has {} values, expected two", list.value.len());
            let help = format!("write the lower and the upper end, for example `{key} = [\"…\", \"…\"]`");
            self.sink.push(ProblemKind::WrongCount, list.span, message, help);
            return None;
        };
        if low.value.stored() < high.value.stored() {
            return Some(At { value: (low.value, high.value), span: list.span });
        }
        let message = format!("`{key}` runs from {} to {}, which is not upwards", low.value, high.value);
        self.sink.push(ProblemKind::ImpossibleValue, list.span.clone(), message, "write the lower end first");
        None
    }

    /// A band that must be there.
    pub(crate) fn required_band<Q: Quantity>(&self, key: &str, rule: Rule) -> Option<At<(Q, Q)>> {
        if !self.has(key) {
            self.missing(key, &format!("add `{key} = [\"{0}\", \"{0}\"]` with your own band", example::<Q>()));
            return None;
        }
        self.band(key, rule)
    }

    /// A square matrix of quantities, row by row.
    pub(crate) fn square<Q: Quantity>(&self, key: &str) -> Option<At<Vec<Vec<f64>>>> {
        let list = self.list(key)?;
        let n = list.value.len();
        let mut rows = Vec::new();
        for row in &list.value {
            let DeValue::Array(items) = row.get_ref() else {
                self.wrong_type(row.span(), key, "a list of rows", row.get_ref());
                return None;
            };
            if items.len() != n {
                let message = format!("`{key}` has {n} rows but this row has {} values", items.len());
                self.sink.push(ProblemKind::WrongCount, row.span(), message, "write as many values as rows");
                return None;
            }
            let read: Vec<Option<At<Q>>> = items.iter().map(|x| self.read_quantity(key, x, Rule::Any)).collect();
            let values: Option<Vec<f64>> = read.into_iter().map(|q| q.map(|q| q.value.stored())).collect();
            rows.push(values?);
        }
        Some(At { value: rows, span: list.span })
    }

    /// A sub-table, or none.
    pub(crate) fn table(&self, key: &str) -> Option<Table<'a>> {
        let value = self.get(key)?;
        self.as_table(key, value)
    }

    /// A sub-table that must be there.
    pub(crate) fn required_table(&self, key: &str, help: &str) -> Option<Table<'a>> {
        if !self.has(key) {
            self.missing(key, help);
            return None;
        }
        self.table(key)
    }

    /// All tables of a list of tables.
    pub(crate) fn tables(&self, key: &str) -> Vec<Table<'a>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        match value.get_ref() {
            DeValue::Array(items) => items.iter().filter_map(|item| self.as_table(key, item)).collect(),
            other => {
                let message = format!("`{key}` must be a list of tables, found {}", type_name(other));
                let help = format!("start each entry with `[[{}]]`", self.path_of(key));
                self.sink.push(ProblemKind::WrongType, self.key_span(key), message, help);
                Vec::new()
            }
        }
    }

    /// All sub-tables of this table, with their names, in file order; every key counts as known.
    pub(crate) fn named_tables(&self) -> Vec<(At<String>, Table<'a>)> {
        let mut named: Vec<_> = self.table.iter().collect();
        named.sort_by_key(|(key, _)| key.span().start);
        named
            .into_iter()
            .filter_map(|(key, value)| {
                self.used.borrow_mut().insert(key.get_ref().to_string());
                let name = At { value: key.get_ref().to_string(), span: key.span() };
                let DeValue::Table(table) = value.get_ref() else {
                    self.wrong_type(value.span(), &name.value, "a table of its own", value.get_ref());
                    return None;
                };
                let path = self.path_of(&name.value);
                Some((name, Table::new(table, key.span(), &path, self.sink)))
            })
            .collect()
    }

    fn as_table(&self, key: &str, value: &'a Spanned<DeValue<'a>>) -> Option<Table<'a>> {
        match value.get_ref() {
            DeValue::Table(table) => Some(Table::new(table, value.span(), &self.path_of(key), self.sink)),
            other => {
                self.wrong_type(value.span(), key, "a table", other);
                None
            }
        }
    }

    fn read_quantity<Q: Quantity>(&self, key: &str, value: &Spanned<DeValue<'_>>, rule: Rule) -> Option<At<Q>> {
        let span = value.span();
        let text = match value.get_ref() {
            DeValue::String(s) => s.to_string(),
            DeValue::Integer(i) => return self.bare_number::<Q>(key, &i.to_string(), span),
            DeValue::Float(x) => return self.bare_number::<Q>(key, x.as_str(), span),
            other => {
                let expected = format!("a text such as \"{}\"", example::<Q>());
                self.wrong_type(span, key, &expected, other);
                return None;
            }
        };
        match text.parse::<Q>() {
            Ok(q) => self.possible(key, q.stored(), rule, &span).then_some(At { value: q, span }),
            Err(error) => {
                self.sink.push(ProblemKind::Quantity, span, format!("`{key}`: {error}"), quantity_help::<Q>(&error));
                None
            }
        }
    }

    fn bare_number<Q: Quantity>(&self, key: &str, number: &str, span: Range<usize>) -> Option<At<Q>> {
        let symbols: Vec<&str> = Q::WORDS.units.iter().map(|u| u.symbol).collect();
        let message = format!(
            "`{key}` is the bare number {number}; {} is written in quotes with one of {}",
            Q::WORDS.name,
            symbols.join(", ")
        );
        let base = Q::WORDS.units.iter().find(|u| u.scale == quantity::Scale::Ten(0));
        let unit = base.map_or("", |u| u.symbol);
        self.sink.push(ProblemKind::Quantity, span, message, format!("write for example \"{number} {unit}\""));
        None
    }

    fn possible(&self, key: &str, x: f64, rule: Rule, span: &Range<usize>) -> bool {
        let (fine, expected) = match rule {
            Rule::Any => (true, ""),
            Rule::Positive => (x > 0.0, "above zero"),
            Rule::NotNegative => (x >= 0.0, "zero or above"),
        };
        if !fine {
            let message = format!("`{key}` must be {expected}");
            self.sink.push(ProblemKind::ImpossibleValue, span.clone(), message, "check the sign and the number");
        }
        fine
    }

    /// Names of all keys in file order.
    pub(crate) fn keys(&self) -> Vec<String> {
        let mut keys: Vec<_> = self.table.keys().map(|k| (k.span().start, k.get_ref().to_string())).collect();
        keys.sort();
        keys.into_iter().map(|(_, name)| name).collect()
    }

    /// Reports every key that nobody asked for.
    pub(crate) fn finish(self) {
        let used = self.used.borrow();
        let known: Vec<&str> = used.iter().map(String::as_str).collect();
        for key in self.table.keys() {
            let name = key.get_ref().as_ref();
            if known.contains(&name) {
                continue;
            }
            let place = if self.path.is_empty() { "the file".into() } else { format!("`{}`", self.path) };
            let message = format!("`{name}` is not a key of {place}");
            self.sink.push(ProblemKind::UnknownKey, key.span(), message, meant_or_list(name, &known));
        }
    }
}

fn example<Q: Quantity>() -> String {
    let units = Q::WORDS.units;
    units.get(units.len() / 2).map_or(String::new(), |u| format!("1.5 {}", u.symbol))
}

fn quantity_help<Q: Quantity>(error: &QuantityError) -> String {
    match error {
        QuantityError::MissingUnit { text, .. } => {
            let units = Q::WORDS.units;
            let unit = units.get(units.len() / 2).map_or("", |u| u.symbol);
            format!("write the unit behind the number, for example \"{} {unit}\"", text.trim())
        }
        QuantityError::WrongUnit { meant: Some(unit), .. } => format!("write `{unit}`"),
        QuantityError::WrongUnit { .. } => format!("write for example \"{}\"", example::<Q>()),
        QuantityError::Comma { example, .. } => format!("write \"{example}\""),
        _ => format!("write number and unit, for example \"{}\"", example::<Q>()),
    }
}

fn type_name(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// "did you mean" when a choice is close, else the list of choices.
pub(crate) fn meant_or_list(found: &str, choices: &[&str]) -> String {
    let close = choices
        .iter()
        .map(|c| (strsim::osa_distance(&found.to_lowercase(), &c.to_lowercase()), *c))
        .filter(|(d, c)| *d <= 1 + c.chars().count() / 4 && *d < c.chars().count())
        .min_by_key(|(d, _)| *d);
    match close {
        Some((_, choice)) => format!("did you mean `{choice}`?"),
        None if choices.is_empty() => "nothing can stand here".into(),
        None => format!("known here: {}", choices.join(", ")),
    }
}
