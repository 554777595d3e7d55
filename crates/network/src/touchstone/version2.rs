//! Versions 2.0 and 2.1: keywords in brackets, data as a sequence of numbers.

use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::keyword::{
    Cursor, Keyword, Placed, duplicate, keyword, misplaced, noise_ports, nothing_after, skip_options,
};
use super::lines::{Line, Word, comments, number, words};
use super::option::{self, Options};
use super::points::{Layout, Points};
use super::version2_data::{network_data, noise_data};
use super::{PORTS_MAX, Parameter, ReadSettings, Touchstone, Version, ports_from_name};
use crate::mixed_mode::{self, Mode, ModeFault};

/// Reference where nothing is given, ohm.
const REFERENCE_DEFAULT_OHM: f64 = 50.0;

/// Everything before the data.
struct Header<'a> {
    version: Version,
    options: Options,
    n_ports: usize,
    layout: Option<Placed<Layout>>,
    n_frequencies: Option<Placed<usize>>,
    n_noise: Option<Placed<usize>>,
    reference: Option<Placed<Vec<Word<'a>>>>,
    format: Option<Placed<Layout>>,
    mixed: Option<Placed<Vec<Word<'a>>>>,
    information: Vec<String>,
    seen: Vec<Keyword>,
}

pub(super) fn read(
    all: &[Line<'_>],
    first: usize,
    settings: &ReadSettings,
    remarks: &mut Vec<Remark>,
) -> Result<Touchstone, TouchstoneError> {
    let mut cursor = Cursor { lines: all, next: first };
    // 1. Version, option line, port count, then the other keywords in any order.
    let mut header = opening(&mut cursor, settings, remarks)?;
    let data_line = keywords(&mut cursor, &mut header, settings, remarks)?;
    // 2. What the keywords mean together.
    let n = header.n_ports;
    let layout = layout(&header, data_line)?;
    let n_frequencies = header.n_frequencies.clone().ok_or_else(|| missing_count(data_line))?;
    let reference_ohm = references(&header, settings.lenient, remarks)?;
    let mixed_mode = mixed(&header, &reference_ohm)?;
    if let Some(suffix) = settings.n_ports.or_else(|| ports_from_name(&settings.name))
        && suffix != n
    {
        let text = format!("the name says {suffix} ports, the text {n}; the text counts");
        remark(remarks, Warning::SuffixPorts, data_line, text);
    }
    // 3. Data.
    let mut points = Points::new(n, layout, &header.options, settings.lenient, remarks);
    network_data(&mut cursor, &n_frequencies, settings, &mut points)?;
    noise_data(&mut cursor, n, header.n_noise.as_ref(), &header.seen, settings, &mut points)?;
    let Points { freq_hz, matrix, noise, .. } = points;
    closing(&mut cursor, settings, remarks)?;
    Ok(Touchstone {
        version: header.version,
        parameter: header.options.parameter,
        reference_ohm,
        freq_hz,
        matrix,
        mixed_mode,
        noise,
        comments: comments_outside(all, &header),
        information: header.information,
        remarks: std::mem::take(remarks),
    })
}

fn opening<'a>(
    cursor: &mut Cursor<'_, 'a>,
    settings: &ReadSettings,
    remarks: &mut Vec<Remark>,
) -> Result<Header<'a>, TouchstoneError> {
    let end = cursor.last_line();
    let line = cursor.take().expect("the caller saw this line");
    let version = match keyword(line)? {
        Some((Keyword::Version, rest)) => version(line, &rest)?,
        _ => {
            let found = format!("`{}`", line.body.trim());
            return Err(TouchstoneError::new(
                Fault::VersionFirst,
                line.number,
                "`[Version] 2.0` or `2.1` first",
                found,
            ));
        }
    };
    let options = match cursor.peek() {
        Some(line) if line.body.trim_start().starts_with('#') => {
            cursor.next += 1;
            option::read(line, settings.lenient, remarks)?
        }
        other => {
            let (number, found) = other.map_or((end, "the end".into()), |l| (l.number, format!("`{}`", l.body.trim())));
            let expected = "the option line between `[Version]` and `[Number of Ports]`";
            return Err(TouchstoneError::new(Fault::OptionMissing, number, expected, found));
        }
    };
    if options.reference_ohm.len() > 1 {
        let found = format!("{} values after R", options.reference_ohm.len());
        return Err(TouchstoneError::new(Fault::OptionRCount, options.line, "one reference on the option line", found)
            .advise("give one value a port with `[Reference]`"));
    }
    skip_options(cursor, remarks);
    let n_ports = match cursor.peek() {
        Some(line) => match keyword(line)? {
            Some((Keyword::Ports, rest)) => {
                cursor.next += 1;
                let n = count(line, &rest)?;
                if n > PORTS_MAX {
                    let expected = format!("at most {PORTS_MAX} ports");
                    return Err(TouchstoneError::new(Fault::Value, line.number, expected, n.to_string()));
                }
                n
            }
            Some((Keyword::Version, _)) => return Err(duplicate(line)),
            _ => return Err(ports_missing(line.number, format!("`{}`", line.body.trim()))),
        },
        None => return Err(ports_missing(end, "the end".into())),
    };
    if matches!(options.parameter, Parameter::H | Parameter::G) && n_ports != 2 {
        let expected = format!("two ports for {} parameters", options.parameter);
        return Err(TouchstoneError::new(Fault::ParamPorts, options.line, expected, format!("{n_ports} ports")));
    }
    Ok(Header {
        version,
        options,
        n_ports,
        layout: None,
        n_frequencies: None,
        n_noise: None,
        reference: None,
        format: None,
        mixed: None,
        information: vec![],
        seen: vec![Keyword::Version, Keyword::Ports],
    })
}

/// Reads keywords up to `[Network Data]` and returns its line.
fn keywords<'a>(
    cursor: &mut Cursor<'_, 'a>,
    header: &mut Header<'a>,
    settings: &ReadSettings,
    remarks: &mut Vec<Remark>,
) -> Result<usize, TouchstoneError> {
    loop {
        skip_options(cursor, remarks);
        let end = cursor.last_line();
        let Some(line) = cursor.take() else {
            return Err(TouchstoneError::new(Fault::MissingData, end, "`[Network Data]`", "the end"));
        };
        let found = match keyword(line) {
            Err(e) if settings.lenient && e.fault == Fault::KeywordUnknown => {
                remark(remarks, Warning::UnknownKeyword, line.number, format!("`{}` skipped", line.body.trim()));
                continue;
            }
            other => other?,
        };
        let Some((key, rest)) = found else {
            let expected = "a keyword; data follow `[Network Data]`";
            return Err(TouchstoneError::new(
                Fault::MissingData,
                line.number,
                expected,
                format!("`{}`", line.body.trim()),
            ));
        };
        if header.seen.contains(&key) {
            return Err(duplicate(line));
        }
        header.seen.push(key);
        let place = line.number;
        match key {
            Keyword::Order => header.layout = Some(Placed { value: order(line, &rest, header.n_ports)?, line: place }),
            Keyword::Format => header.format = Some(Placed { value: matrix_format(line, &rest)?, line: place }),
            Keyword::Frequencies => header.n_frequencies = Some(Placed { value: count(line, &rest)?, line: place }),
            Keyword::NoiseFrequencies => header.n_noise = Some(Placed { value: count(line, &rest)?, line: place }),
            Keyword::Reference => header.reference = Some(Placed { value: list(cursor, rest), line: place }),
            Keyword::Mixed => header.mixed = Some(Placed { value: list(cursor, rest), line: place }),
            Keyword::BeginInformation => information(cursor, header, place)?,
            Keyword::NetworkData => {
                nothing_after(&rest)?;
                return Ok(place);
            }
            Keyword::NoiseData if header.n_ports != 2 => return Err(noise_ports(place, header.n_ports)),
            Keyword::End => {
                return Err(TouchstoneError::new(Fault::MissingData, place, "`[Network Data]`", "`[End]`"));
            }
            Keyword::NoiseData | Keyword::EndInformation | Keyword::Version | Keyword::Ports => {
                return Err(misplaced(line, "keywords that belong before `[Network Data]`"));
            }
        }
    }
}

fn closing(
    cursor: &mut Cursor<'_, '_>,
    settings: &ReadSettings,
    remarks: &mut Vec<Remark>,
) -> Result<(), TouchstoneError> {
    let end = cursor.last_line();
    let closed = match cursor.take() {
        Some(line) => match keyword(line) {
            Ok(Some((Keyword::End, rest))) => {
                nothing_after(&rest)?;
                true
            }
            Err(e) if !settings.lenient => return Err(e),
            _ => false,
        },
        None => false,
    };
    if !closed && !settings.lenient {
        return Err(TouchstoneError::new(Fault::MissingEnd, end, "`[End]` as the last line", "the end of the text")
            .advise("the text may be cut off; lenient reading accepts it"));
    }
    if !closed {
        remark(remarks, Warning::EndMissing, end, "`[End]` is missing; the text may be cut off");
    }
    match cursor.take() {
        Some(line) if settings.lenient => {
            remark(remarks, Warning::TextAfterEnd, line.number, "text after `[End]` is ignored");
            Ok(())
        }
        Some(line) => {
            let found = format!("`{}`", super::lines::shortened(line.body.trim()));
            Err(TouchstoneError::new(Fault::AfterEnd, line.number, "nothing but comments after `[End]`", found))
        }
        None => Ok(()),
    }
}

fn version(line: &Line<'_>, rest: &[Word<'_>]) -> Result<Version, TouchstoneError> {
    match one(line, rest, "`2.0` or `2.1`")?.text {
        "2.0" => Ok(Version::V2_0),
        "2.1" => Ok(Version::V2_1),
        _ => Err(rest[0]
            .error(Fault::Value, "version `2.0` or `2.1`")
            .advise("a version 1 text has no `[Version]` and starts with the option line")),
    }
}

fn count(line: &Line<'_>, rest: &[Word<'_>]) -> Result<usize, TouchstoneError> {
    let word = one(line, rest, "a whole number from 1 up")?;
    let plain = word.text.bytes().all(|b| b.is_ascii_digit());
    match word.text.parse::<usize>() {
        Ok(n) if n > 0 && plain => Ok(n),
        _ => Err(word.error(Fault::Value, "a whole number from 1 up")),
    }
}

fn order(line: &Line<'_>, rest: &[Word<'_>], n_ports: usize) -> Result<Layout, TouchstoneError> {
    if n_ports != 2 {
        let found = format!("`{}` with {n_ports} ports", line.body.trim());
        return Err(TouchstoneError::new(Fault::TwoportOrderNot2port, line.number, "no two-port order", found)
            .advise("remove the line"));
    }
    match one(line, rest, "`12_21` or `21_12`")?.text {
        "12_21" => Ok(Layout::Rows),
        "21_12" => Ok(Layout::Columns),
        _ => Err(rest[0].error(Fault::Value, "`12_21` or `21_12`")),
    }
}

fn matrix_format(line: &Line<'_>, rest: &[Word<'_>]) -> Result<Layout, TouchstoneError> {
    match one(line, rest, "Full, Lower or Upper")?.text.to_ascii_lowercase().as_str() {
        "full" => Ok(Layout::Rows),
        "lower" => Ok(Layout::Lower),
        "upper" => Ok(Layout::Upper),
        _ => Err(rest[0].error(Fault::Value, "Full, Lower or Upper")),
    }
}

fn one<'w, 'a>(line: &Line<'_>, rest: &'w [Word<'a>], expected: &str) -> Result<&'w Word<'a>, TouchstoneError> {
    match rest {
        [word] => Ok(word),
        [] => Err(TouchstoneError::new(Fault::Value, line.number, expected, "nothing after the keyword")),
        [_, extra, ..] => Err(extra.error(Fault::Value, format!("only {expected}"))),
    }
}

/// Words after a keyword and on the lines below it, up to the next keyword.
fn list<'a>(cursor: &mut Cursor<'_, 'a>, mut rest: Vec<Word<'a>>) -> Vec<Word<'a>> {
    while let Some(line) = cursor.peek().filter(|l| !l.body.trim_start().starts_with(['[', '#'])) {
        cursor.next += 1;
        rest.extend(words(line.body, line.number, 0));
    }
    rest
}

fn information(cursor: &mut Cursor<'_, '_>, header: &mut Header<'_>, begin: usize) -> Result<(), TouchstoneError> {
    while let Some(line) = cursor.lines.get(cursor.next) {
        cursor.next += 1;
        if let Ok(Some((Keyword::EndInformation, _))) = keyword(line) {
            return Ok(());
        }
        header.information.push(line.raw.to_owned());
    }
    let found = "the end of the text";
    Err(TouchstoneError::new(Fault::MissingData, begin, "`[End Information]` after `[Begin Information]`", found))
}

fn layout(header: &Header<'_>, data_line: usize) -> Result<Layout, TouchstoneError> {
    if header.n_ports == 2 && header.layout.is_none() {
        return Err(TouchstoneError::new(
            Fault::MissingTwoportOrder,
            data_line,
            "`[Two-Port Data Order] 12_21` or `21_12` before the data of a two-port",
            "none",
        )
        .advise("`21_12` is the order of version 1"));
    }
    let full = header.layout.as_ref().map_or(Layout::Rows, |p| p.value);
    Ok(match &header.format {
        Some(Placed { value: Layout::Rows, .. }) | None => full,
        Some(triangle) => triangle.value,
    })
}

fn references(header: &Header<'_>, lenient: bool, remarks: &mut Vec<Remark>) -> Result<Vec<f64>, TouchstoneError> {
    let n = header.n_ports;
    let Some(given) = &header.reference else {
        return Ok(vec![header.options.reference_ohm.first().copied().unwrap_or(REFERENCE_DEFAULT_OHM); n]);
    };
    let mut out = Vec::with_capacity(given.value.len());
    for word in &given.value {
        match number(word, 0, lenient, remarks)? {
            r if r > 0.0 => out.push(r),
            _ => return Err(word.error(Fault::Value, "a positive real reference, ohm")),
        }
    }
    if out.len() != n {
        let found = format!("{} values", out.len());
        return Err(TouchstoneError::new(Fault::ReferenceCount, given.line, format!("{n} references"), found));
    }
    Ok(out)
}

fn mixed(header: &Header<'_>, reference_ohm: &[f64]) -> Result<Option<Vec<Mode>>, TouchstoneError> {
    let Some(given) = &header.mixed else { return Ok(None) };
    let here = |fault, expected: String, found: String| Err(TouchstoneError::new(fault, given.line, expected, found));
    if matches!(header.options.parameter, Parameter::H | Parameter::G) {
        let found = format!("{} parameters", header.options.parameter);
        return here(Fault::MixedParam, "S, Y or Z with a mixed-mode order".into(), found);
    }
    let mut modes = Vec::new();
    for word in &given.value {
        match word.text.parse::<Mode>() {
            Ok(mode) => modes.push(mode),
            Err(()) => return Err(word.error(Fault::Value, "`S3`, `D1,2` or `C1,2` without blanks inside")),
        }
    }
    match mixed_mode::check(&modes, reference_ohm) {
        Ok(()) => Ok(Some(modes)),
        Err(ModeFault::Ports(why)) => here(Fault::MixedPair, "each port once, alone or in one pair".into(), why),
        Err(ModeFault::Reference(why)) => {
            here(Fault::MixedReference, "one reference for both ports of a pair".into(), why)
        }
    }
}

/// Comments, without lines of the information block that hold a `!`.
fn comments_outside(all: &[Line<'_>], header: &Header<'_>) -> Vec<String> {
    if header.information.is_empty() {
        return comments(all);
    }
    let outside: Vec<Line<'_>> =
        all.iter().filter(|l| !header.information.iter().any(|i| i == l.raw)).copied().collect();
    comments(&outside)
}

fn ports_missing(line: usize, found: String) -> TouchstoneError {
    TouchstoneError::new(Fault::MissingPorts, line, "`[Number of Ports]` right after the option line", found)
}

fn missing_count(data_line: usize) -> TouchstoneError {
    TouchstoneError::new(Fault::MissingNfreq, data_line, "`[Number of Frequencies]` before `[Network Data]`", "none")
}
