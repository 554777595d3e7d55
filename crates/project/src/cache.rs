//! Results kept by content: the same input is never computed twice, in this process or the next.
//!
//! Input: a [`Key`] made from the whole canonical input and the name of the method, and the bytes of a result.
//! Output: the bytes again, or nothing. A folder is used only after [`use_folder`]; without it results live as long as
//! the process. An entry holds its key and a digest of its content, so that a damaged one is known and computed again.

use crate::files;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// First bytes of every entry; changes with the layout of entries.
const MAGIC: &[u8; 16] = b"mixwright kept 1";
/// Bytes of a digest.
const DIGEST: usize = 32;
/// Bytes held in memory; all is forgotten when they are full.
const MEMORY_MAX: usize = 256 << 20;

/// Names a result by everything it depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Key([u8; DIGEST]);

impl Key {
    /// Key of a method (its name changes when its results may change) and its canonical input.
    pub fn new(method: &str, input: &[u8]) -> Self {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&(method.len() as u64).to_le_bytes());
        hasher.update(method.as_bytes());
        hasher.update(input);
        Self(*hasher.finalize().as_bytes())
    }

    /// The key in hexadecimal digits, as in file names.
    pub fn hex(&self) -> String {
        blake3::Hash::from_bytes(self.0).to_hex().to_string()
    }
}

/// What a look into the cache gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// The result.
    Kept(Arc<Vec<u8>>),
    /// Nothing of this key.
    Absent,
    /// Something was there but cannot be trusted.
    Damaged(PathBuf),
}

#[derive(Default)]
struct State {
    folder: Option<PathBuf>,
    memory: BTreeMap<Key, Arc<Vec<u8>>>,
    bytes: usize,
}

static STATE: Mutex<State> = Mutex::new(State { folder: None, memory: BTreeMap::new(), bytes: 0 });

/// Keeps results in a folder from now on; `None` keeps them in memory only.
pub fn use_folder(folder: Option<&Path>) {
    let mut state = STATE.lock().unwrap_or_else(PoisonError::into_inner);
    state.folder = folder.map(Path::to_path_buf);
}

/// `mixwright` in the cache folder of the user; none when the system names no such folder.
pub fn folder_of_user() -> Option<PathBuf> {
    let set = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let user = set("XDG_CACHE_HOME").or_else(|| set("LOCALAPPDATA"));
    user.or_else(|| set("HOME").map(|home| home.join(".cache"))).map(|folder| folder.join("mixwright"))
}

/// The folder in use.
pub fn folder() -> Option<PathBuf> {
    STATE.lock().unwrap_or_else(PoisonError::into_inner).folder.clone()
}

/// Forgets what is held in memory; the folder stays as it is.
pub fn forget() {
    let mut state = STATE.lock().unwrap_or_else(PoisonError::into_inner);
    state.memory.clear();
    state.bytes = 0;
}

/// Looks for a result in memory, then in the folder.
pub fn look(key: Key) -> Found {
    let folder = {
        let state = STATE.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(kept) = state.memory.get(&key) {
            return Found::Kept(kept.clone());
        }
        state.folder.clone()
    };
    let Some(folder) = folder else { return Found::Absent };
    let found = look_in(&folder, key);
    if let Found::Kept(content) = &found {
        remember(key, content.clone());
    }
    found
}

/// Looks for a result in one folder only.
pub fn look_in(folder: &Path, key: Key) -> Found {
    let path = path_in(folder, key);
    let Ok(bytes) = std::fs::read(&path) else { return Found::Absent };
    let head = MAGIC.len();
    let body = head + 2 * DIGEST;
    let sound = bytes.len() >= body
        && bytes[..head] == MAGIC[..]
        && bytes[head..head + DIGEST] == key.0
        && bytes[head + DIGEST..body] == *blake3::hash(&bytes[body..]).as_bytes();
    if sound { Found::Kept(Arc::new(bytes[body..].to_vec())) } else { Found::Damaged(path) }
}

/// Keeps a result in memory, and in the folder when there is one. A folder that cannot be written to costs nothing
/// but the next computation; why is given back.
pub fn keep(key: Key, content: Vec<u8>) -> Option<String> {
    let content = Arc::new(content);
    remember(key, content.clone());
    let folder = folder()?;
    keep_in(&folder, key, &content).err()
}

/// Keeps a result in one folder: written beside its place, flushed, renamed.
///
/// # Errors
/// Why the entry could not be written.
pub fn keep_in(folder: &Path, key: Key, content: &[u8]) -> Result<(), String> {
    let mut bytes = Vec::with_capacity(content.len() + MAGIC.len() + 2 * DIGEST);
    bytes.extend_from_slice(MAGIC);
    bytes.extend_from_slice(&key.0);
    bytes.extend_from_slice(blake3::hash(content).as_bytes());
    bytes.extend_from_slice(content);
    files::write_whole(&path_in(folder, key), &bytes).map_err(|error| error.to_string())
}

fn remember(key: Key, content: Arc<Vec<u8>>) {
    let mut state = STATE.lock().unwrap_or_else(PoisonError::into_inner);
    if state.bytes + content.len() > MEMORY_MAX {
        state.memory.clear();
        state.bytes = 0;
    }
    state.bytes += content.len();
    if let Some(old) = state.memory.insert(key, content) {
        state.bytes -= old.len();
    }
}

/// Entries lie in folders of their first two digits.
fn path_in(folder: &Path, key: Key) -> PathBuf {
    let hex = key.hex();
    folder.join(&hex[..2]).join(&hex[2..])
}

/// Writes numbers and texts of a result or an input, one form for each value.
#[derive(Debug, Default)]
pub(crate) struct Writer(pub(crate) Vec<u8>);

impl Writer {
    pub(crate) fn count(&mut self, n: usize) {
        self.0.extend_from_slice(&(n as u64).to_le_bytes());
    }

    pub(crate) fn text(&mut self, text: &str) {
        self.count(text.len());
        self.0.extend_from_slice(text.as_bytes());
    }

    /// By its bits.
    pub(crate) fn number(&mut self, x: f64) {
        self.0.extend_from_slice(&x.to_bits().to_le_bytes());
    }

    pub(crate) fn numbers(&mut self, numbers: &[f64]) {
        self.count(numbers.len());
        numbers.iter().for_each(|x| self.number(*x));
    }
}

/// Reads what [`Writer`] wrote; nothing when the bytes end too early or make no sense.
pub(crate) struct Reader<'a>(pub(crate) &'a [u8]);

impl Reader<'_> {
    fn eight(&mut self) -> Option<[u8; 8]> {
        let (head, rest) = self.0.split_first_chunk::<8>()?;
        self.0 = rest;
        Some(*head)
    }

    pub(crate) fn count(&mut self) -> Option<usize> {
        usize::try_from(u64::from_le_bytes(self.eight()?)).ok()
    }

    pub(crate) fn text(&mut self) -> Option<String> {
        let n = self.count()?;
        let (head, rest) = self.0.split_at_checked(n)?;
        self.0 = rest;
        String::from_utf8(head.to_vec()).ok()
    }

    pub(crate) fn number(&mut self) -> Option<f64> {
        Some(f64::from_bits(u64::from_le_bytes(self.eight()?)))
    }

    pub(crate) fn numbers(&mut self) -> Option<Vec<f64>> {
        let n = self.count()?;
        // no more values than bytes are left: a damaged count must not ask for memory
        if n > self.0.len() / 8 {
            return None;
        }
        (0..n).map(|_| self.number()).collect()
    }
}
