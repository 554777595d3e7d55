//! Append-only journal of finished full solutions.
//!
//! One line a solution: the deviations and the answers as the bits of their numbers in hexadecimal, then a digest
//! of the line. A line cut by a kill fails its digest and is computed again. The head names everything the
//! solutions depend on; a journal of anything else is set aside, never mixed.

use crate::error::ProjectError;
use crate::process::DesignProcess;
use numerics::{CMatrix, Complex64};
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use tolerance::{Correlation, Expansion, Process, ProcessError, Quantity, Variable};

const MAGIC: &str = "mixwright solutions 1";

/// A process whose full solutions are remembered.
pub struct Journal<'a> {
    process: &'a DesignProcess,
    state: Mutex<State>,
}

struct State {
    path: Option<PathBuf>,
    file: Option<File>,
    known: BTreeMap<Vec<u64>, Vec<Complex64>>,
    /// Points read from the file and not asked for yet.
    unread: BTreeSet<Vec<u64>>,
    used: usize,
    computed: usize,
    failed: Option<std::io::Error>,
}

impl<'a> Journal<'a> {
    /// Opens or begins the journal at `path`; without a path solutions are remembered in memory only.
    ///
    /// # Errors
    /// The file cannot be read or written.
    pub fn open(process: &'a DesignProcess, path: Option<PathBuf>) -> Result<Self, ProjectError> {
        let head = format!("{MAGIC} {}", identity(process));
        let mut known = BTreeMap::new();
        let mut file = None;
        if let Some(path) = &path {
            let folder = path.parent().unwrap_or(std::path::Path::new("."));
            std::fs::create_dir_all(folder).map_err(ProjectError::io("make the folder", folder))?;
            let text = match std::fs::read(path) {
                Ok(bytes) => String::from_utf8_lossy(&bytes).into_owned(),
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
                Err(e) => return Err(ProjectError::io("read", path)(e)),
            };
            let mut lines = text.lines();
            let is_ours = lines.next() == Some(head.as_str());
            if !is_ours && !text.is_empty() {
                // solutions of another design or version stay on disk under another name
                let aside = path.with_extension("journal.other");
                std::fs::rename(path, &aside).map_err(ProjectError::io("set aside", path))?;
            }
            let mut whole = format!("{head}\n");
            if is_ours {
                for line in lines {
                    if let Some((x, answers)) = read_line(line) {
                        whole.push_str(line);
                        whole.push('\n');
                        known.insert(x, answers);
                    }
                }
            }
            // what a kill left half written is dropped before anything is appended
            crate::files::write_whole(path, whole.as_bytes())?;
            let opened = File::options().append(true).open(path);
            file = Some(opened.map_err(ProjectError::io("append to", path))?);
        }
        let unread = known.keys().cloned().collect();
        let state = State { path, file, known, unread, used: 0, computed: 0, failed: None };
        Ok(Self { process, state: Mutex::new(state) })
    }

    /// Full solutions taken from the journal, and computed.
    ///
    /// # Errors
    /// A line could not be written.
    pub fn finish(self) -> Result<(usize, usize), ProjectError> {
        let state = self.state.into_inner().unwrap_or_else(PoisonError::into_inner);
        match (state.failed, state.path) {
            (Some(error), Some(path)) => Err(ProjectError::io("append to", &path)(error)),
            _ => Ok((state.used, state.computed)),
        }
    }

    fn remember(&self, key: Vec<u64>, answers: &[Complex64]) {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.known.contains_key(&key) {
            return; // another thread was asked for the same point
        }
        state.computed += 1;
        let line = line_of(&key, answers);
        if let Some(file) = &mut state.file
            && let Err(error) = file.write_all(line.as_bytes()).and_then(|()| file.sync_data())
        {
            state.failed.get_or_insert(error);
        }
        state.known.insert(key, answers.to_vec());
    }
}

/// Digest of everything a full solution depends on.
fn identity(process: &DesignProcess) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
    hasher.update(process.design().source_text.as_bytes());
    // units and names, which a technology file may change without the design
    hasher.update(format!("{:?}", process.variables()).as_bytes());
    // network data, technology files and the engine itself show in the nominal answers
    for a in process.nominal_answers() {
        hasher.update(&a.re.to_bits().to_le_bytes());
        hasher.update(&a.im.to_bits().to_le_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

fn key_of(x: &[f64]) -> Vec<u64> {
    // both zeros are one point
    x.iter().map(|x| (x + 0.0).to_bits()).collect()
}

fn line_of(key: &[u64], answers: &[Complex64]) -> String {
    let hex = |bits: u64| format!("{bits:016x}");
    let x: Vec<String> = key.iter().map(|&b| hex(b)).collect();
    let a: Vec<String> = answers.iter().flat_map(|a| [hex(a.re.to_bits()), hex(a.im.to_bits())]).collect();
    let body = format!("{} = {}", x.join(" "), a.join(" "));
    format!("{body} # {}\n", &blake3::hash(body.as_bytes()).to_hex()[..16])
}

fn read_line(line: &str) -> Option<(Vec<u64>, Vec<Complex64>)> {
    let (body, digest) = line.rsplit_once(" # ")?;
    if blake3::hash(body.as_bytes()).to_hex()[..16] != *digest {
        return None;
    }
    let (x, answers) = body.split_once(" = ")?;
    let bits =
        |text: &str| -> Option<Vec<u64>> { text.split_whitespace().map(|w| u64::from_str_radix(w, 16).ok()).collect() };
    let (x, answers) = (bits(x)?, bits(answers)?);
    let pairs = answers.chunks_exact(2);
    Some((x, pairs.map(|p| Complex64::new(f64::from_bits(p[0]), f64::from_bits(p[1]))).collect()))
}

impl Process for Journal<'_> {
    fn variables(&self) -> &[Variable] {
        self.process.variables()
    }

    fn correlations(&self) -> &[Correlation] {
        self.process.correlations()
    }

    fn answers(&self) -> &[String] {
        self.process.answers()
    }

    fn quantities(&self) -> &[Quantity] {
        self.process.quantities()
    }

    fn solve(&self, x: &[f64]) -> Result<Vec<Complex64>, ProcessError> {
        let key = key_of(x);
        {
            let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(answers) = state.known.get(&key).cloned() {
                state.used += usize::from(state.unread.remove(&key));
                return Ok(answers);
            }
        }
        let answers = self.process.solve(x)?;
        self.remember(key, &answers);
        Ok(answers)
    }

    fn differentiate(&self, x: &[f64]) -> Result<(Vec<Complex64>, CMatrix), ProcessError> {
        self.process.differentiate(x)
    }

    fn measures(&self, answers: &[Complex64]) -> Vec<f64> {
        self.process.measures(answers)
    }

    fn expand(&self, x: &[f64]) -> Result<Expansion, ProcessError> {
        self.process.expand(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_keep_every_bit_and_a_cut_line_is_not_read() {
        let x = key_of(&[0.1, -0.0, 1e-300]);
        let answers = [Complex64::new(-1.0 / 3.0, f64::MIN_POSITIVE), Complex64::new(0.0, 1e300)];
        let line = line_of(&x, &answers);
        assert_eq!(read_line(line.trim_end()), Some((x, answers.to_vec())));
        for cut in [1, 17, 40] {
            assert_eq!(read_line(&line[..line.len() - cut - 1]), None, "cut by {cut}");
        }
        assert_eq!(read_line(&line.trim_end().replacen('3', "4", 1)), None, "a changed digit");
    }
}
