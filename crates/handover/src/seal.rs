//! Signatures: who made a package, verifiable without any network.
//!
//! Input: a private key of the maker, or a package. Output: an Ed25519 signature (RFC 8032) over the hash of the manifest
//! and the name of the signer; the state of a signature in plain words.
//! Key files are one line of words, one line of hexadecimal digits; the private key never enters a package.

use crate::HandoverError;
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

/// First line of a private key file.
const PRIVATE_HEAD: &str = "mixwright private signing key 1";
/// First line of a public key file.
const PUBLIC_HEAD: &str = "mixwright public signing key 1";
/// Separates these signatures from any other use of the key.
const DOMAIN: &[u8] = b"mixwright model package 1\n";

/// A private key and the name it signs under.
pub struct MakerKey {
    key: SigningKey,
    signer: String,
}

impl std::fmt::Debug for MakerKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        // never the key itself
        f.debug_struct("MakerKey").field("signer", &self.signer).finish_non_exhaustive()
    }
}

/// A signature as it stands in a package.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    /// Name of the signer, as he calls himself.
    pub signer: String,
    /// Public key, 64 hexadecimal digits.
    pub public_key: String,
    /// Signature, 128 hexadecimal digits.
    pub signature: String,
}

impl MakerKey {
    /// A key from 32 bytes of a good source of randomness.
    pub fn from_random(bytes: [u8; 32], signer: &str) -> Self {
        Self { key: SigningKey::from_bytes(&bytes), signer: signer.trim().into() }
    }

    /// Reads a private key file, or plain 64 hexadecimal digits, which sign under the name `signer`; `place` is the name
    /// of the file in messages.
    ///
    /// # Errors
    /// A file that is no private key.
    pub fn parse(text: &str, place: &str, signer: &str) -> Result<Self, HandoverError> {
        let lines: Vec<&str> = text.lines().map(str::trim).filter(|l| !l.is_empty() && !l.starts_with('#')).collect();
        if lines.first() == Some(&PUBLIC_HEAD) {
            return Err(key_error(
                place,
                "this is the public key; signing needs the private one",
                "name the file that was made beside it, the one kept secret",
            ));
        }
        if let [digits] = lines[..]
            && let Some(bytes) = unhex(digits).and_then(|b| <[u8; 32]>::try_from(b).ok())
        {
            return Ok(Self::from_random(bytes, signer));
        }
        let [head, signer, digits] = lines[..] else {
            return Err(key_error(place, "this is no private signing key", KEY_HELP));
        };
        let bytes = unhex(digits).and_then(|b| <[u8; 32]>::try_from(b).ok());
        match (head == PRIVATE_HEAD, bytes) {
            (true, Some(bytes)) => Ok(Self::from_random(bytes, signer)),
            _ => Err(key_error(place, "this is no private signing key", KEY_HELP)),
        }
    }

    /// The secret, for signatures of another kind with the same key file.
    pub fn secret_bytes(&self) -> [u8; 32] {
        self.key.to_bytes()
    }

    /// The private key file.
    pub fn private_text(&self) -> String {
        format!(
            "# KEEP THIS FILE SECRET. Whoever has it can sign models in your name.\n\
             # It is never written into a package. Keep a copy in a safe place: it cannot be made again.\n\
             {PRIVATE_HEAD}\n{}\n{}\n",
            self.signer,
            hex(&self.key.to_bytes())
        )
    }

    /// The public key file, to be handed to customers over a way they trust.
    pub fn public_text(&self) -> String {
        format!(
            "# Public key: hand it to your customers over a way they trust; it lets them check your signatures.\n\
             {PUBLIC_HEAD}\n{}\n{}\n",
            self.signer,
            hex(self.key.verifying_key().as_bytes())
        )
    }

    /// Signs the hash of a manifest.
    pub fn sign(&self, manifest_blake3: &str) -> Signed {
        let public_key = hex(self.key.verifying_key().as_bytes());
        let signature = self.key.sign(&message(manifest_blake3, &self.signer, &public_key));
        Signed { signer: self.signer.clone(), public_key, signature: hex(&signature.to_bytes()) }
    }
}

const KEY_HELP: &str = "make a pair of keys with `mixwright pack --new-key FILE --maker NAME`";

/// A public key somebody trusts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TrustedKey {
    /// Name written in the key file.
    pub name: String,
    public_key: String,
}

impl TrustedKey {
    /// Reads a public key file; `place` is its name in messages.
    ///
    /// # Errors
    /// A file that is no public key.
    pub fn parse(text: &str, place: &str) -> Result<Self, HandoverError> {
        let lines: Vec<&str> = text.lines().map(str::trim).filter(|l| !l.is_empty() && !l.starts_with('#')).collect();
        match lines[..] {
            [PUBLIC_HEAD, name, digits] if unhex(digits).is_some_and(|b| b.len() == 32) => {
                Ok(Self { name: name.into(), public_key: digits.to_lowercase() })
            }
            [PRIVATE_HEAD, ..] => Err(key_error(
                place,
                "this is a private key",
                "name the public key of the maker; if this private key reached you, tell its owner",
            )),
            _ => Err(key_error(
                place,
                "this is no public signing key",
                "ask the maker of the model for his public key file",
            )),
        }
    }
}

/// What is known about the signature of a package.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SignatureState {
    /// Nobody signed.
    Unsigned,
    /// The signature fits; nobody said whose key it is.
    FitsUnknownKey {
        /// Name the signer gave himself.
        signer: String,
        /// Public key.
        public_key: String,
    },
    /// The signature fits and the key is the trusted one.
    FitsTrustedKey {
        /// Name in the trusted key file.
        name: String,
        /// Public key.
        public_key: String,
    },
    /// The signature fits, but by another key than the trusted one.
    FitsOtherKey {
        /// Name the signer gave himself.
        signer: String,
        /// Public key that signed.
        public_key: String,
    },
}

impl SignatureState {
    /// One or two sentences for people.
    pub fn words(&self) -> String {
        let short = |key: &str| format!("{}…", &key[..16.min(key.len())]);
        match self {
            Self::Unsigned => {
                "not signed: the check sums find accidents, but whoever changes the file on purpose can make new ones"
                    .into()
            }
            Self::FitsUnknownKey { signer, public_key } => format!(
                "signed, and unchanged since: the signer calls himself `{signer}`, key {}. Whether that key is his only \
                 his public key file tells (--trusted FILE)",
                short(public_key)
            ),
            Self::FitsTrustedKey { name, public_key } => {
                format!("signed by `{name}`, whose key you trust ({}), and unchanged since", short(public_key))
            }
            Self::FitsOtherKey { signer, public_key } => format!(
                "SIGNED BY ANOTHER KEY than the one you trust: the signer calls himself `{signer}`, key {}. Do not use \
                 this model before you have asked the maker",
                short(public_key)
            ),
        }
    }

    /// True when somebody was trusted and it was not he who signed.
    pub fn is_suspicious(&self) -> bool {
        matches!(self, Self::FitsOtherKey { .. })
    }
}

/// Checks a signature; a signature that does not fit is an error.
pub(crate) fn verify(
    signed: Option<&Signed>,
    manifest_blake3: &str,
    trusted: Option<&TrustedKey>,
) -> Result<SignatureState, HandoverError> {
    let Some(s) = signed else { return Ok(SignatureState::Unsigned) };
    let key =
        unhex(&s.public_key).and_then(|b| <[u8; 32]>::try_from(b).ok()).and_then(|b| VerifyingKey::from_bytes(&b).ok());
    let signature = unhex(&s.signature).and_then(|b| <[u8; 64]>::try_from(b).ok()).map(|b| Signature::from_bytes(&b));
    let fits = match (key, signature) {
        (Some(key), Some(signature)) => {
            key.verify_strict(&message(manifest_blake3, &s.signer, &s.public_key), &signature).is_ok()
        }
        _ => false,
    };
    if !fits {
        return Err(HandoverError::package(
            format!("the signature of `{}` does not fit the content", s.signer),
            "somebody changed the package after it was signed; ask the maker for it again",
        ));
    }
    let (signer, public_key) = (s.signer.clone(), s.public_key.clone());
    Ok(match trusted {
        None => SignatureState::FitsUnknownKey { signer, public_key },
        Some(t) if t.public_key == public_key => SignatureState::FitsTrustedKey { name: t.name.clone(), public_key },
        Some(_) => SignatureState::FitsOtherKey { signer, public_key },
    })
}

fn message(manifest_blake3: &str, signer: &str, public_key: &str) -> Vec<u8> {
    let mut out = DOMAIN.to_vec();
    for part in [manifest_blake3, public_key, signer] {
        out.extend_from_slice(part.as_bytes());
        out.push(b'\n');
    }
    out
}

fn key_error(place: &str, problem: &str, next: &str) -> HandoverError {
    HandoverError::Key { place: place.into(), problem: problem.into(), next: next.into() }
}

/// Lower-case hexadecimal digits.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Bytes of lower- or upper-case hexadecimal digits.
fn unhex(text: &str) -> Option<Vec<u8>> {
    if !text.is_ascii() || !text.len().is_multiple_of(2) {
        return None;
    }
    (0..text.len() / 2).map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).ok()).collect()
}
