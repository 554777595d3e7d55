//! Data blocks of version 2: numbers in sequence, each point on a new line.

use super::ReadSettings;
use super::error::{Fault, Remark, TouchstoneError, Warning, remark};
use super::keyword::{
    Cursor, Keyword, Placed, duplicate, keyword, misplaced, noise_ports, nothing_after, skip_options,
};
use super::lines::{Word, words};
use super::points::{NoiseScale, Points};

/// Numbers of a noise point.
const NOISE_WORDS: usize = 5;

/// Reads the network data block up to the next keyword.
pub(super) fn network_data(
    cursor: &mut Cursor<'_, '_>,
    promised: &Placed<usize>,
    settings: &ReadSettings,
    points: &mut Points<'_>,
) -> Result<(), TouchstoneError> {
    let per_point = points.words_per_point();
    let mut point: Vec<Word<'_>> = Vec::new();
    let mut n_points = 0;
    loop {
        skip_options(cursor, points.remarks);
        let end = cursor.last_line();
        let Some(line) = cursor.peek().filter(|l| !l.body.trim_start().starts_with('[')) else {
            let number = cursor.peek().map_or(end, |l| l.number);
            if !point.is_empty() {
                let expected = format!("{per_point} numbers in the last point");
                return Err(TouchstoneError::new(Fault::DataCount, number, expected, point.len().to_string()));
            }
            return check_count(Fault::DataCount, number, promised, n_points, settings.lenient, points.remarks);
        };
        cursor.next += 1;
        let tokens = words(line.body, line.number, 0);
        for word in &tokens {
            if point.is_empty() && word.columns != tokens[0].columns {
                return Err(word
                    .error(Fault::DataCount, format!("a new line after the {per_point} numbers of a point"))
                    .advise("look for a number too many, or one missing in the point before"));
            }
            if point.is_empty() && n_points == promised.value && !settings.lenient {
                let expected = format!("{n_points} points, as promised on line {}", promised.line);
                return Err(word.error(Fault::DataCount, expected));
            }
            point.push(*word);
            if point.len() == per_point {
                points.push(&point)?;
                n_points += 1;
                point.clear();
            }
        }
    }
}

/// Reads the noise block, if there is one.
pub(super) fn noise_data(
    cursor: &mut Cursor<'_, '_>,
    n_ports: usize,
    n_noise: Option<&Placed<usize>>,
    seen: &[Keyword],
    settings: &ReadSettings,
    points: &mut Points<'_>,
) -> Result<(), TouchstoneError> {
    let is_noise = match cursor.peek() {
        None => false,
        Some(line) => match keyword(line) {
            Err(e) if settings.lenient && e.fault == Fault::KeywordUnknown => return Ok(()),
            other => match other? {
                Some((Keyword::NoiseData, rest)) => {
                    if n_ports != 2 {
                        return Err(noise_ports(line.number, n_ports));
                    }
                    nothing_after(&rest)?;
                    cursor.next += 1;
                    true
                }
                Some((Keyword::End, _)) | None => false,
                Some((key, _)) if seen.contains(&key) => return Err(duplicate(line)),
                Some(_) => return Err(misplaced(line, "`[Noise Data]` or `[End]`")),
            },
        },
    };
    let end = cursor.last_line();
    if !is_noise {
        return match n_noise {
            Some(promised) if !settings.lenient => Err(TouchstoneError::new(
                Fault::NoiseCount,
                promised.line,
                "`[Noise Data]` with the promised points",
                "no noise data",
            )),
            _ => Ok(()),
        };
    }
    let Some(promised) = n_noise else {
        let expected = "`[Number of Noise Frequencies]` before `[Network Data]`";
        return Err(TouchstoneError::new(Fault::MissingNnoise, cursor.next, expected, "none"));
    };
    let mut point: Vec<Word<'_>> = Vec::new();
    loop {
        skip_options(cursor, points.remarks);
        let Some(line) = cursor.peek().filter(|l| !l.body.trim_start().starts_with('[')) else { break };
        cursor.next += 1;
        let tokens = words(line.body, line.number, 0);
        for word in &tokens {
            if point.is_empty() && word.columns != tokens[0].columns {
                return Err(word.error(Fault::NoiseCount, "a new line after the five numbers of a noise point"));
            }
            point.push(*word);
            if point.len() == NOISE_WORDS {
                points.push_noise(&point, NoiseScale { rn_ohm: 1.0 })?;
                point.clear();
            }
        }
    }
    let number = cursor.peek().map_or(end, |l| l.number);
    if !point.is_empty() {
        let found = point.len().to_string();
        return Err(TouchstoneError::new(Fault::NoiseCount, number, "five numbers in the last noise point", found));
    }
    if let Some(line) = cursor.peek() {
        match keyword(line) {
            Ok(Some((Keyword::End, _))) => {}
            Ok(Some((key, _))) if key == Keyword::NoiseData || seen.contains(&key) => {
                return Err(duplicate(line));
            }
            Err(e) if !settings.lenient => return Err(e),
            Err(_) | Ok(None) => {}
            Ok(Some(_)) => return Err(misplaced(line, "`[End]`")),
        }
    }
    check_count(Fault::NoiseCount, number, promised, points.noise.len(), settings.lenient, points.remarks)
}

fn check_count(
    fault: Fault,
    line: usize,
    promised: &Placed<usize>,
    found: usize,
    lenient: bool,
    remarks: &mut Vec<Remark>,
) -> Result<(), TouchstoneError> {
    if found == promised.value {
        return Ok(());
    }
    let expected = format!("{} points, as promised on line {}", promised.value, promised.line);
    if lenient && found > 0 {
        remark(remarks, Warning::PointCount, line, format!("expected {expected}, found {found}; the data count"));
        return Ok(());
    }
    Err(TouchstoneError::new(fault, line, expected, found.to_string()).advise("correct the count or the data"))
}
