//! Versions 1.0 and 1.1: option line, then data whose line layout is part of the standard.

use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::lines::{Line, Word, comments, words};
use super::option::{self, Options};
use super::points::{Layout, NoiseScale, Points};
use super::{PORTS_MAX, Parameter, ReadSettings, Touchstone, Version, ports_from_name};
use numerics::{CMatrix, Complex64};

/// Most pairs on one line.
const PAIRS_PER_LINE_MAX: usize = 4;
/// Numbers of a noise line.
const NOISE_WORDS: usize = 5;
/// Reference where the option line gives none, ohm.
const REFERENCE_DEFAULT_OHM: f64 = 50.0;

pub(super) fn read(
    all: &[Line<'_>],
    first: usize,
    settings: &ReadSettings,
    remarks: &mut Vec<Remark>,
) -> Result<Touchstone, TouchstoneError> {
    // 1. Option line, data lines, number of ports.
    let options = option::read(&all[first], settings.lenient, remarks)?;
    let data = data_lines(&all[first + 1..], remarks)?;
    let n = port_count(&data, settings, &options, remarks)?;
    let (version, reference_ohm) = references(n, &options)?;
    if matches!(options.parameter, Parameter::H | Parameter::G) && n != 2 {
        return Err(TouchstoneError::new(
            Fault::ParamPorts,
            options.line,
            format!("two ports for {} parameters", options.parameter),
            format!("{n} ports"),
        ));
    }
    let Some(last) = data.last().and_then(|l| l.last()).map(|w| w.line) else {
        return Err(TouchstoneError::new(Fault::DataCount, options.line, "at least one frequency point", "no data"));
    };

    // 2. Points, by the layout of the standard or, leniently, as a stream.
    let layout = if n == 2 { Layout::Columns } else { Layout::Rows };
    let scale = NoiseScale { rn_ohm: reference_ohm[0] };
    let mut points = Points::new(n, layout, &options, settings.lenient, remarks);
    let strict = by_lines(&data, n, last, scale, &mut points);
    if let Err(error) = strict {
        if !(settings.lenient && matches!(error.fault, Fault::DataCount | Fault::LineTooLong)) {
            return Err(error);
        }
        (points.freq_hz, points.matrix, points.noise) = Default::default();
        as_stream(&data, n, last, scale, &mut points)?;
        let text = "numbers are not laid out in lines as version 1 asks; read in sequence";
        remark(points.remarks, Warning::LineLayout, error.line, text);
    }

    // 3. Normalisation.
    let Points { freq_hz, matrix, noise, .. } = points;
    if options.parameter != Parameter::S && reference_ohm.iter().any(|&r| (r - reference_ohm[0]).abs() > 0.0) {
        let text = "the standard does not say how unequal references normalise; the root of their product was used";
        remark(remarks, Warning::NormalisationUndefined, options.line, text);
    }
    let matrix = matrix.iter().map(|m| denormalised(m, options.parameter, &reference_ohm)).collect();
    Ok(Touchstone {
        version,
        parameter: options.parameter,
        reference_ohm,
        freq_hz,
        matrix,
        mixed_mode: None,
        noise,
        comments: comments(all),
        information: vec![],
        remarks: std::mem::take(remarks),
    })
}

/// Words of every line with data.
fn data_lines<'a>(lines: &[Line<'a>], remarks: &mut Vec<Remark>) -> Result<Vec<Vec<Word<'a>>>, TouchstoneError> {
    let mut data = Vec::new();
    for line in lines {
        let tokens = words(line.body, line.number, 0);
        match tokens.first() {
            None => {}
            Some(word) if word.text.starts_with('#') => {
                let text = "only the first option line counts; this one is ignored";
                remark(remarks, Warning::ExtraOptionLineIgnored, line.number, text);
            }
            Some(word) if word.text.starts_with('[') => {
                return Err(word
                    .error(Fault::KeywordInV1, "data: a text that opens with an option line is version 1")
                    .advise("bracket keywords need `[Version] 2.0` before the option line"));
            }
            Some(_) => data.push(tokens),
        }
    }
    Ok(data)
}

fn port_count(
    data: &[Vec<Word<'_>>],
    settings: &ReadSettings,
    options: &Options,
    remarks: &mut Vec<Remark>,
) -> Result<usize, TouchstoneError> {
    if let Some(n) = settings.n_ports.or_else(|| ports_from_name(&settings.name))
        && n > 0
    {
        if n <= PORTS_MAX {
            return Ok(n);
        }
        let expected = format!("at most {PORTS_MAX} ports");
        return Err(TouchstoneError::new(Fault::PortsUnknown, options.line, expected, n.to_string()));
    }
    if let Some(n) = ports_from_shape(data) {
        remark(remarks, Warning::PortsFromShape, options.line, format!("{n} ports, read from the shape of the data"));
        return Ok(n);
    }
    Err(TouchstoneError::new(
        Fault::PortsUnknown,
        options.line,
        "the number of ports from the caller, a suffix such as `.s3p`, or the shape of the data",
        "none of them",
    )
    .advise("name the file with its port count or state it"))
}

/// A point runs from one line with an odd count of numbers to the next and holds n² pairs.
fn ports_from_shape(data: &[Vec<Word<'_>>]) -> Option<usize> {
    let first = data.first().filter(|l| l.len() % 2 == 1)?;
    let rest: usize = data[1..].iter().take_while(|l| l.len() % 2 == 0).map(Vec::len).sum();
    let pairs = (first.len() - 1 + rest) / 2;
    let n = pairs.isqrt();
    (n > 0 && n * n == pairs).then_some(n)
}

fn references(n: usize, options: &Options) -> Result<(Version, Vec<f64>), TouchstoneError> {
    let given = &options.reference_ohm;
    match given.len() {
        0 => Ok((Version::V1_0, vec![REFERENCE_DEFAULT_OHM; n])),
        1 => Ok((Version::V1_0, vec![given[0]; n])),
        k if k == n => Ok((Version::V1_1, given.clone())),
        k => Err(TouchstoneError::new(
            Fault::OptionRCount,
            options.line,
            format!("one reference or one for each of the {n} ports"),
            format!("{k} values after R"),
        )),
    }
}

/// Data in the line layout of the standard; `last` is the last line with data.
fn by_lines(
    data: &[Vec<Word<'_>>],
    n: usize,
    last: usize,
    scale: NoiseScale,
    points: &mut Points<'_>,
) -> Result<(), TouchstoneError> {
    let per_point = points.words_per_point();
    let mut point: Vec<Word<'_>> = Vec::with_capacity(per_point);
    for line in data {
        if starts_noise(line, n, &point, points)? {
            points.push_noise(line, scale)?;
            continue;
        }
        check_layout(line, n, &point)?;
        point.extend_from_slice(line);
        if point.len() == per_point {
            points.push(&point)?;
            point.clear();
        }
    }
    complete(&point, per_point, last)
}

/// One line of a matrix: which lengths are legal after `point` numbers.
fn check_layout(line: &[Word<'_>], n: usize, point: &[Word<'_>]) -> Result<(), TouchstoneError> {
    let number = line.first().map_or(0, |w| w.line);
    let wrong = |expected: String| {
        let advice = "lenient reading takes the numbers in sequence, whatever the lines";
        Err(TouchstoneError::new(Fault::DataCount, number, expected, format!("{} numbers", line.len())).advise(advice))
    };
    if n <= 2 {
        let need = 1 + 2 * n * n;
        return if line.len() == need { Ok(()) } else { wrong(format!("{need} numbers on one line")) };
    }
    let opens = usize::from(point.is_empty());
    let done = point.len().saturating_sub(1) / 2 % n;
    if line.len() % 2 != opens {
        return wrong(if opens == 1 {
            "a frequency and pairs".into()
        } else {
            format!("pairs of row {}", row(point, n))
        });
    }
    let pairs = (line.len() - opens) / 2;
    if pairs > PAIRS_PER_LINE_MAX {
        let found = format!("{pairs} pairs");
        let advice = "start each matrix row on a new line; lenient reading accepts long lines";
        return Err(TouchstoneError::new(Fault::LineTooLong, number, "at most four pairs a line", found).advise(advice));
    }
    if done + pairs > n || (n <= PAIRS_PER_LINE_MAX && pairs != n) || pairs == 0 {
        return wrong(format!("pairs of row {} only, {} left of {n}", row(point, n), n - done));
    }
    Ok(())
}

fn row(point: &[Word<'_>], n: usize) -> usize {
    point.len().saturating_sub(1) / 2 / n + 1
}

/// True when the line belongs to the noise block of a two-port.
fn starts_noise(
    line: &[Word<'_>],
    n: usize,
    point: &[Word<'_>],
    points: &mut Points<'_>,
) -> Result<bool, TouchstoneError> {
    if n != 2 || !point.is_empty() {
        return Ok(false);
    }
    if !points.noise.is_empty() {
        if line.len() == NOISE_WORDS {
            return Ok(true);
        }
        let number = line.first().map_or(0, |w| w.line);
        let found = format!("{} numbers", line.len());
        return Err(TouchstoneError::new(Fault::DataCount, number, "five numbers of a noise point", found));
    }
    let Some(&last) = points.freq_hz.last() else { return Ok(false) };
    if line.len() != NOISE_WORDS {
        return Ok(false);
    }
    let f = points.frequency(&line[0])?;
    if f.total_cmp(&last).is_eq() {
        let text = "noise starts at the last network frequency; recognised by its five numbers";
        remark(points.remarks, Warning::NoiseAtLastFrequency, line[0].line, text);
    }
    Ok(f <= last)
}

/// Data as one sequence in which each point begins a line.
fn as_stream(
    data: &[Vec<Word<'_>>],
    n: usize,
    last: usize,
    scale: NoiseScale,
    points: &mut Points<'_>,
) -> Result<(), TouchstoneError> {
    let per_point = points.words_per_point();
    let mut point: Vec<Word<'_>> = Vec::with_capacity(per_point);
    for line in data {
        if starts_noise(line, n, &point, points)? {
            points.push_noise(line, scale)?;
            continue;
        }
        for word in line {
            if point.is_empty() && word.columns != line[0].columns {
                return Err(
                    word.error(Fault::DataCount, format!("a new line after the {per_point} numbers of a point"))
                );
            }
            point.push(*word);
            if point.len() == per_point {
                points.push(&point)?;
                point.clear();
            }
        }
    }
    complete(&point, per_point, last)
}

fn complete(point: &[Word<'_>], per_point: usize, last: usize) -> Result<(), TouchstoneError> {
    if point.is_empty() {
        return Ok(());
    }
    let found = format!("{} at the end of the data", point.len());
    Err(TouchstoneError::new(Fault::DataCount, last, format!("{per_point} numbers in the last point"), found)
        .advise("the text looks cut off"))
}

/// Ohm, siemens or plain, from numbers normalised to the references.
fn denormalised(m: &CMatrix, parameter: Parameter, r: &[f64]) -> CMatrix {
    let root = |i: usize, j: usize| if i == j { r[i] } else { (r[i] * r[j]).sqrt() };
    let scale = |i: usize, j: usize| match (parameter, i, j) {
        (Parameter::Z, ..) => root(i, j),
        (Parameter::Y, ..) => 1.0 / root(i, j),
        (Parameter::H, 0, 0) | (Parameter::G, 1, 1) => r[i],
        (Parameter::H, 1, 1) | (Parameter::G, 0, 0) => 1.0 / r[i],
        _ => 1.0,
    };
    CMatrix::from_fn(m.n_rows(), m.n_cols(), |i, j| {
        let s = scale(i, j);
        if s < 1.0 { m[(i, j)] / (1.0 / s) } else { m[(i, j)] * Complex64::from(s) }
    })
}
