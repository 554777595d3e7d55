//! Sealed predictions: what was promised before anything was made.
//!
//! Input: readings of a review and the content they came from (design text, technology, network data, program).
//! Output: a [`Seal`] that can be written as text, read back, verified, and compared with measurements later.
//! The inputs and readings form a chain of hashes, each over its own content and the hash before it; the last hash is
//! the name of the seal. A change of any entry is found at its place. Who rewrites the whole chain gets another name,
//! which the ledger, a printed copy or the signature (Ed25519) will not know.

use crate::LedgerError;
use ed25519_dalek::{Signer, Verifier};
use serde::{Deserialize, Serialize};
use spec::{Band, Bands, Bound, Conditions, Limit, Measure, Method, Outcome, Promise, Quality, Reading, Sideband};

/// Version of the file.
pub(crate) const FORMAT: u32 = 1;

/// Something the predictions rest on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Input {
    /// Name, for example `qb-k07.toml`.
    pub name: String,
    /// Number of bytes.
    pub bytes: u64,
    /// Hash of the content (BLAKE3, hexadecimal).
    pub hash: String,
}

impl Input {
    /// An input from its content.
    pub fn of(name: impl Into<String>, content: &[u8]) -> Self {
        Self { name: name.into(), bytes: content.len() as u64, hash: blake3::hash(content).to_hex().to_string() }
    }
}

/// A band in the file: distances from the value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct SealedBand {
    /// Below the value.
    pub below: f64,
    /// Above the value.
    pub above: f64,
    /// Share of cases covered.
    pub coverage: f64,
}

/// A promised number with its conditions and bands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SealedReading {
    /// Key of the measure.
    pub measure: String,
    /// Unit of value and bands.
    pub unit: String,
    /// Value.
    pub value: f64,
    /// True when the value is only a bound.
    pub is_bound: bool,
    /// LO frequency, hertz.
    pub lo_hz: f64,
    /// RF frequency, hertz.
    pub rf_hz: Option<f64>,
    /// IF frequency, hertz.
    pub if_hz: Option<f64>,
    /// LO level, dBm.
    pub lo_dbm: f64,
    /// Signal level, dBm; none for the small-signal limit.
    pub signal_dbm: Option<f64>,
    /// Temperature, kelvin.
    pub temp_k: f64,
    /// Terminations in words.
    pub terminations: String,
    /// Numerical band: truncation, continued data and field solution; none when nobody looked.
    pub numeric: Option<f64>,
    /// Fabrication.
    pub fabrication: Option<SealedBand>,
    /// Learned model error.
    pub model: Option<SealedBand>,
    /// One-sided promise: bound and confidence.
    pub promise: Option<(f64, f64)>,
    /// True when the promise is a lower bound.
    pub promise_is_lower: bool,
}

/// An entry with the hash of itself and everything before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Chained<T> {
    /// The entry.
    pub entry: T,
    /// Its hash.
    pub hash: String,
}

/// A signature over the name of the seal.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signature {
    /// Public key, hexadecimal.
    pub public_key: String,
    /// Signature, hexadecimal.
    pub signature: String,
}

/// Facts sealed beside the numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Version of the file.
    pub format: u32,
    /// Name of the design.
    pub design: String,
    /// Technology in words.
    pub technology: String,
    /// Program and version.
    pub program: String,
    /// Day of sealing.
    pub sealed_on: String,
    /// RF band of the leading seat, hertz.
    pub rf_band_hz: (f64, f64),
    /// The requirement.
    pub limits: Vec<SealedLimit>,
}

/// A requirement line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SealedLimit {
    /// Key of the measure; none for any product in the output band.
    pub measure: Option<String>,
    /// Upper limit.
    pub at_most: Option<f64>,
    /// Lower limit.
    pub at_least: Option<f64>,
    /// Signal frequencies over which it holds, hertz.
    pub band_hz: Option<(f64, f64)>,
    /// Why.
    pub why: String,
}

impl SealedLimit {
    fn of(l: &Limit) -> Self {
        let (at_most, at_least) = match l.bound {
            Bound::AtMost(x) => (Some(x), None),
            Bound::AtLeast(x) => (None, Some(x)),
        };
        Self { measure: l.measure.map(Measure::key), at_most, at_least, band_hz: l.band_hz, why: l.why.clone() }
    }

    fn to_limit(&self) -> Option<Limit> {
        let measure = match &self.measure {
            Some(key) => Some(Measure::from_key(key)?),
            None => None,
        };
        let bound = self.at_most.map(Bound::AtMost).or(self.at_least.map(Bound::AtLeast))?;
        Some(Limit { measure, bound, band_hz: self.band_hz, why: self.why.clone() })
    }
}

/// Promised numbers, frozen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Seal {
    /// Facts.
    pub head: Chained<Head>,
    /// What the numbers rest on.
    pub inputs: Vec<Chained<Input>>,
    /// The numbers.
    pub readings: Vec<Chained<SealedReading>>,
    /// Name of the seal: the last hash of the chain.
    pub hash: String,
    /// Signatures; they do not change the name.
    pub signatures: Vec<Signature>,
}

/// One place that does not fit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tampering {
    /// What was found, in words.
    pub what: String,
}

/// A private key that signs seals.
pub struct SigningKey(ed25519_dalek::SigningKey);

impl SigningKey {
    /// From 32 secret bytes.
    pub fn from_bytes(secret: &[u8; 32]) -> Self {
        Self(ed25519_dalek::SigningKey::from_bytes(secret))
    }

    /// From 64 hexadecimal digits.
    ///
    /// # Errors
    /// A text that is not that.
    pub fn from_text(text: &str) -> Result<Self, LedgerError> {
        let bytes = from_hex(text.trim()).and_then(|b| <[u8; 32]>::try_from(b).ok());
        // the text is a secret, so only its length is told
        let found = || format!("{} characters", text.trim().len());
        bytes.map(|b| Self::from_bytes(&b)).ok_or_else(|| LedgerError::NotAKey { found: found() })
    }

    /// The public key, hexadecimal.
    pub fn public(&self) -> String {
        hex(self.0.verifying_key().as_bytes())
    }
}

/// Freezes readings. Those that are not finite promise nothing and are left out; of equal ones the first is kept.
pub fn seal_readings(head: Head, inputs: Vec<Input>, readings: &[&Reading]) -> Seal {
    let mut sealed: Vec<SealedReading> = Vec::new();
    let mut seen = std::collections::BTreeSet::new();
    for reading in readings.iter().filter(|r| r.value.is_finite()) {
        let entry = SealedReading::of(reading);
        if seen.insert(entry.identity()) {
            sealed.push(entry);
        }
    }
    let mut chain = blake3::hash(b"mixwright seal").to_hex().to_string();
    let head = chained(&mut chain, head);
    let inputs = inputs.into_iter().map(|i| chained(&mut chain, i)).collect();
    let readings = sealed.into_iter().map(|r| chained(&mut chain, r)).collect();
    Seal { head, inputs, readings, hash: chain, signatures: Vec::new() }
}

fn chained<T: Serialize>(chain: &mut String, entry: T) -> Chained<T> {
    *chain = link(chain, &entry);
    Chained { entry, hash: chain.clone() }
}

fn link<T: Serialize>(before: &str, entry: &T) -> String {
    let content = serde_json::to_string(entry).expect("an entry is plain data");
    let mut hasher = blake3::Hasher::new();
    hasher.update(before.as_bytes());
    hasher.update(content.as_bytes());
    hasher.finalize().to_hex().to_string()
}

impl Head {
    /// Facts in the present format.
    pub fn new(
        design: &str,
        technology: &str,
        program: &str,
        sealed_on: &str,
        rf_band_hz: (f64, f64),
        limits: &[Limit],
    ) -> Self {
        Self {
            format: FORMAT,
            design: design.into(),
            technology: technology.into(),
            program: program.into(),
            sealed_on: sealed_on.into(),
            rf_band_hz,
            limits: limits.iter().map(SealedLimit::of).collect(),
        }
    }
}

impl Seal {
    /// The seal as text.
    pub fn to_text(&self) -> String {
        fn json<T: Serialize>(x: &T) -> String {
            serde_json::to_string(x).expect("a seal is plain data")
        }
        fn lines<T: Serialize>(all: &[T]) -> String {
            all.iter().map(json).collect::<Vec<_>>().join(",\n")
        }
        // one entry a line, so that a text comparison shows what moved
        format!(
            "{{\n\"head\":{},\n\"inputs\":[\n{}\n],\n\"readings\":[\n{}\n],\n\"hash\":{},\n\"signatures\":{}\n}}\n",
            json(&self.head),
            lines(&self.inputs),
            lines(&self.readings),
            json(&self.hash),
            json(&self.signatures),
        )
    }

    /// Reads and verifies a seal.
    ///
    /// # Errors
    /// A text that is no seal, or a seal that was changed; every place that does not fit is named.
    pub fn from_text(file: &str, text: &str) -> Result<Self, LedgerError> {
        let not_a_seal =
            |found: String, next: &str| LedgerError::NotASeal { file: file.into(), found, next: next.into() };
        let value: serde_json::Value = serde_json::from_str(text)
            .map_err(|e| not_a_seal(format!("no JSON ({e})"), "make a seal with `mixwright seal DESIGN`"))?;
        let format = &value["head"]["entry"]["format"];
        if *format != FORMAT {
            let next = "seals are made with `mixwright seal DESIGN`; a later format needs a later program";
            return Err(not_a_seal(format!("format {format}"), next));
        }
        let seal: Self = serde_json::from_value(value).map_err(|e| {
            not_a_seal(format!("a seal with a missing or foreign entry ({e})"), "restore the file from a copy")
        })?;
        let tampering = seal.verify();
        if tampering.is_empty() {
            return Ok(seal);
        }
        Err(LedgerError::Tampered { file: file.into(), what: tampering.into_iter().map(|t| t.what).collect() })
    }

    /// Every place at which content and chain do not fit; empty for an untouched seal.
    pub fn verify(&self) -> Vec<Tampering> {
        let mut out = Vec::new();
        let mut chain = blake3::hash(b"mixwright seal").to_hex().to_string();
        let mut check = |name: String, found: String, stored: &str| {
            if found != stored {
                let what = format!(
                    "{name} does not fit its hash: it was edited, or an entry before it was added, removed or moved"
                );
                out.push(Tampering { what });
            }
            // go on from what is stored, so that one edit is named once
            stored.to_string()
        };
        chain = check("the head".into(), link(&chain, &self.head.entry), &self.head.hash);
        for i in &self.inputs {
            chain = check(format!("input `{}`", i.entry.name), link(&chain, &i.entry), &i.hash);
        }
        for (k, r) in self.readings.iter().enumerate() {
            chain = check(format!("reading {} ({})", k + 1, r.entry.words()), link(&chain, &r.entry), &r.hash);
        }
        if chain != self.hash {
            out.push(Tampering {
                what: "the end of the chain is not the name of the seal: readings are missing at the end".into(),
            });
        }
        for s in &self.signatures {
            if !is_signed(s, &self.hash) {
                let what = format!("the signature of key {} does not fit the seal", &s.public_key);
                out.push(Tampering { what });
            }
        }
        out
    }

    /// Adds a signature over the name of the seal.
    pub fn sign(&mut self, key: &SigningKey) {
        let signature = hex(&key.0.sign(self.hash.as_bytes()).to_bytes());
        self.signatures.push(Signature { public_key: key.public(), signature });
    }

    /// The sealed numbers as readings. Measures this program does not know are left out.
    pub fn readings(&self) -> Vec<Reading> {
        self.readings.iter().filter_map(|r| r.entry.to_reading()).collect()
    }

    /// The sealed requirement.
    pub fn limits(&self) -> Vec<Limit> {
        self.head.entry.limits.iter().filter_map(SealedLimit::to_limit).collect()
    }

    /// Inputs whose present content differs from what was sealed, given by name and content; for information only, a
    /// comparison uses the seal.
    pub fn changed_inputs(&self, present: &[Input]) -> Vec<String> {
        let differs = |i: &&Chained<Input>| present.iter().any(|p| p.name == i.entry.name && p.hash != i.entry.hash);
        self.inputs.iter().filter(differs).map(|i| i.entry.name.clone()).collect()
    }
}

fn is_signed(signature: &Signature, hash: &str) -> bool {
    let key = from_hex(&signature.public_key).and_then(|b| <[u8; 32]>::try_from(b).ok());
    let key = key.and_then(|b| ed25519_dalek::VerifyingKey::from_bytes(&b).ok());
    let bytes = from_hex(&signature.signature).and_then(|b| <[u8; 64]>::try_from(b).ok());
    match (key, bytes) {
        (Some(key), Some(b)) => key.verify(hash.as_bytes(), &ed25519_dalek::Signature::from_bytes(&b)).is_ok(),
        _ => false,
    }
}

impl SealedReading {
    fn of(r: &Reading) -> Self {
        let c = &r.conditions;
        let band = |b: &Band| SealedBand { below: b.below, above: b.above, coverage: b.coverage };
        let (promise, promise_is_lower) = match r.quality.bands.promise {
            Some(Promise { bound: Bound::AtLeast(x), confidence }) => (Some((x, confidence)), true),
            Some(Promise { bound: Bound::AtMost(x), confidence }) => (Some((x, confidence)), false),
            None => (None, false),
        };
        Self {
            measure: r.measure.canonical().key(),
            unit: r.measure.unit().into(),
            value: r.value,
            is_bound: r.quality.is_bound,
            lo_hz: c.lo_hz,
            rf_hz: c.rf_hz,
            if_hz: c.if_hz,
            lo_dbm: c.lo_dbm,
            signal_dbm: c.signal_dbm,
            temp_k: c.temp_k,
            terminations: c.terminations.clone(),
            // the file has no infinity; a band without end decides as little as none
            numeric: r.quality.known_within().filter(|b| b.is_finite()),
            fabrication: r.quality.bands.fabrication.as_ref().map(band),
            model: r.quality.bands.model.as_ref().map(band),
            promise,
            promise_is_lower,
        }
    }

    fn identity(&self) -> String {
        format!(
            "{} {} {:?} {:?} {} {:?} {} {}",
            self.measure,
            self.lo_hz,
            self.rf_hz,
            self.if_hz,
            self.lo_dbm,
            self.signal_dbm,
            self.temp_k,
            self.terminations
        )
    }

    /// Measure and frequency in words.
    fn words(&self) -> String {
        let name = Measure::from_key(&self.measure).map_or_else(|| self.measure.clone(), Measure::label);
        self.rf_hz.map_or_else(|| name.clone(), |f| format!("{name}, RF {} GHz", f / 1e9))
    }

    fn to_reading(&self) -> Option<Reading> {
        let band = |b: &SealedBand| Band { below: b.below, above: b.above, coverage: b.coverage };
        let bound = |x: f64| if self.promise_is_lower { Bound::AtLeast(x) } else { Bound::AtMost(x) };
        let sideband = self.rf_hz.map(|f| if f < self.lo_hz { Sideband::Lower } else { Sideband::Upper });
        Some(Reading {
            measure: Measure::from_key(&self.measure)?,
            value: self.value,
            conditions: Conditions {
                lo_hz: self.lo_hz,
                rf_hz: self.rf_hz,
                if_hz: self.if_hz,
                sideband,
                lo_dbm: self.lo_dbm,
                signal_dbm: self.signal_dbm,
                temp_k: self.temp_k,
                terminations: self.terminations.clone(),
            },
            quality: Quality {
                outcome: Outcome::Converged,
                method: Method::Balance,
                numeric_band: self.numeric,
                orders: (0, 0),
                residual: 0.0,
                continued: None,
                cancellation: None,
                is_bound: self.is_bound,
                bands: Bands {
                    fabrication: self.fabrication.as_ref().map(band),
                    model: self.model.as_ref().map(band),
                    promise: self.promise.map(|(x, confidence)| Promise { bound: bound(x), confidence }),
                    ..Bands::default()
                },
            },
        })
    }
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

fn from_hex(text: &str) -> Option<Vec<u8>> {
    if !text.len().is_multiple_of(2) || !text.is_ascii() {
        return None;
    }
    (0..text.len() / 2).map(|k| u8::from_str_radix(&text[2 * k..2 * k + 2], 16).ok()).collect()
}
