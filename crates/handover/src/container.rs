//! The package: one zip file of plain parts, written one way only, so that every changed byte is found.
//!
//! Input: a [`Model`] with its provenance, and a key to sign with, or the bytes of a package. Output: bytes, or an
//! [`Opened`] model with what is known about its origin.
//! Parts, in this order, all stored without compression: `format.txt`, `manifest.json`, `network.f64`,
//! `provenance.json`, `seal.json`. The manifest carries the hashes of the data files, the seal that of the manifest.
//! On opening the parts are written again and the whole file is compared: time stamps, comments, gaps and unlisted
//! bytes of a zip file have nowhere to hide. Nothing is ever unpacked to a folder, and without compression no archive
//! holds more than its own length.
//! Every structure is described in `docs/model-package.md`.

use crate::file::{FileText, Manifest, NETWORK, PROVENANCE, junctions_json, network_bytes};
use crate::provenance::{Link, Provenance};
use crate::seal::{MakerKey, SignatureState, Signed, TrustedKey, verify};
use crate::{HandoverError, Model};
use serde::{Deserialize, Serialize};
use std::io::{Cursor, Read, Write};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

/// Version of the format this program writes, and the latest it reads.
pub const FORMAT: u64 = 1;
/// Largest package accepted, bytes: a hundred times the demonstration.
pub const LARGEST_BYTES: usize = 256 << 20;

const FORMAT_FILE: &str = "format.txt";
const MANIFEST: &str = "manifest.json";
const SEAL: &str = "seal.json";
const PARTS: [&str; 5] = [FORMAT_FILE, MANIFEST, NETWORK, PROVENANCE, SEAL];
const FORMAT_HEAD: &str = "mixwright model package, format ";

/// A package opened and verified.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The model.
    pub model: Model,
    /// Where it comes from.
    pub provenance: Provenance,
    /// What is known about its signature.
    pub signature: SignatureState,
    /// blake3 hash of the manifest: the name by which documents call this package.
    pub manifest_blake3: String,
    /// Length of the package, bytes.
    pub bytes: usize,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SealText {
    manifest_blake3: String,
    signature: Option<SignedText>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SignedText {
    signer: String,
    public_key: String,
    signature: String,
}

/// Writes a package.
///
/// `origin` are the links before the diode set and the network, which are added here.
///
/// # Errors
/// A model that is too large for a package.
pub fn pack(model: &Model, origin: &[Link], program: &str, key: Option<&MakerKey>) -> Result<Vec<u8>, HandoverError> {
    let samples = network_bytes(model);
    let mut links = origin.to_vec();
    links.extend(own_links(model, &samples));
    let provenance = Provenance { links, maker: model.maker.clone(), program: program.into() }.document();
    let file = |name: &str, content: &[u8]| FileText {
        name: name.into(),
        bytes: content.len() as u64,
        blake3: blake3::hash(content).to_hex().to_string(),
    };
    let files = vec![file(NETWORK, &samples), file(PROVENANCE, provenance.as_bytes())];
    let manifest = json_text(&Manifest::of(model, files));
    let manifest_blake3 = blake3::hash(manifest.as_bytes()).to_hex().to_string();
    let signature = key.map(|k| {
        let Signed { signer, public_key, signature } = k.sign(&manifest_blake3);
        SignedText { signer, public_key, signature }
    });
    let seal = json_text(&SealText { manifest_blake3, signature });
    let format = format!("{FORMAT_HEAD}{FORMAT}\n");
    let parts = [format.into_bytes(), manifest.into_bytes(), samples, provenance.into_bytes(), seal.into_bytes()];
    let whole = container(&parts)?;
    if whole.len() > LARGEST_BYTES {
        return Err(HandoverError::package(
            format!("it would be {} bytes long, the largest is {LARGEST_BYTES}", whole.len()),
            "sample the network with a larger tolerance or a narrower band",
        ));
    }
    Ok(whole)
}

/// The diode set and the network are links of their own, so that the chain ends in what the package holds.
fn own_links(model: &Model, samples: &[u8]) -> [Link; 2] {
    [
        Link::to("diode-set", "parameters of the junctions and their temperature law", &junctions_json(model)),
        Link::to("network", "passive network at external and junction ports, sampled", samples),
    ]
}

fn json_text<T: Serialize>(value: &T) -> String {
    let mut text = serde_json::to_string_pretty(value).expect("plain numbers and texts become JSON");
    text.push('\n');
    text
}

fn container(parts: &[Vec<u8>; 5]) -> Result<Vec<u8>, HandoverError> {
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Stored).unix_permissions(0o644);
    let failed = |e: String| HandoverError::package(format!("it cannot be written: {e}"), "report this as a mistake");
    let mut writer = ZipWriter::new(Cursor::new(Vec::new()));
    for (name, content) in PARTS.iter().zip(parts) {
        writer.start_file(*name, options).map_err(|e| failed(e.to_string()))?;
        writer.write_all(content).map_err(|e| failed(e.to_string()))?;
    }
    Ok(writer.finish().map_err(|e| failed(e.to_string()))?.into_inner())
}

/// Opens and verifies a package.
///
/// # Errors
/// Anything that is not exactly a package as this program writes it: truncated, changed, repacked, of a later version,
/// or with a signature that does not fit.
pub fn open(bytes: &[u8], trusted: Option<&TrustedKey>) -> Result<Opened, HandoverError> {
    let parts = parts_of(bytes)?;
    let [_, manifest_bytes, samples, provenance_bytes, seal_bytes] = &parts;
    let changed = |what: &str| {
        HandoverError::package(
            format!("{what} does not fit its check sum: the package was changed or damaged"),
            "fetch it again, or ask the maker for it again",
        )
    };
    // 1. the seal covers the manifest
    let manifest_blake3 = blake3::hash(manifest_bytes).to_hex().to_string();
    let seal: SealText = serde_json::from_slice(seal_bytes).map_err(|_| changed("the seal"))?;
    if json_text(&seal).as_bytes() != seal_bytes.as_slice() {
        return Err(changed("the seal"));
    }
    if seal.manifest_blake3 != manifest_blake3 {
        return Err(changed("the manifest"));
    }
    let signed = seal.signature.map(|s| Signed { signer: s.signer, public_key: s.public_key, signature: s.signature });
    let signature = verify(signed.as_ref(), &manifest_blake3, trusted)?;
    // 2. the manifest covers the data files
    let manifest: Manifest = serde_json::from_slice(manifest_bytes).map_err(|e| {
        HandoverError::package(format!("its manifest cannot be read: {e}"), "ask the maker for it again")
    })?;
    if manifest.format != FORMAT {
        return Err(HandoverError::FutureVersion { found: manifest.format, known: FORMAT });
    }
    let found: Vec<FileText> = [(NETWORK, samples), (PROVENANCE, provenance_bytes)]
        .into_iter()
        .map(|(name, content)| FileText {
            name: name.into(),
            bytes: content.len() as u64,
            blake3: blake3::hash(content).to_hex().to_string(),
        })
        .collect();
    if let Some((file, _)) = manifest.files.iter().zip(&found).find(|(told, found)| told != found) {
        return Err(changed(&format!("`{}`", file.name)));
    }
    if manifest.files.len() != found.len() {
        return Err(changed("the list of files"));
    }
    // 3. the container holds nothing else
    if container(&parts)? != bytes {
        return Err(HandoverError::package(
            "bytes outside its parts differ: it was changed, damaged or packed again by another program",
            "fetch the original file again",
        ));
    }
    // 4. the content means something, and the chain ends in it
    let model = manifest.model(samples)?;
    let text = std::str::from_utf8(provenance_bytes).map_err(|_| changed("the provenance"))?;
    let provenance = Provenance::parse(text)?;
    if !provenance.links.ends_with(&own_links(&model, samples)) {
        return Err(HandoverError::package(
            "its provenance does not end in the diode set and network it holds",
            "ask the maker for it again",
        ));
    }
    Ok(Opened { model, provenance, signature, manifest_blake3, bytes: bytes.len() })
}

/// The five parts, everything about their container checked but the bytes between them.
fn parts_of(bytes: &[u8]) -> Result<[Vec<u8>; 5], HandoverError> {
    if bytes.len() > LARGEST_BYTES {
        return Err(HandoverError::package(
            format!("it is {} bytes long, the largest accepted is {LARGEST_BYTES}", bytes.len()),
            "check that this is the right file",
        ));
    }
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|e| {
        HandoverError::package(
            format!("it is no complete zip file ({e})"),
            "check that this is the right file and that it arrived whole",
        )
    })?;
    check_version(&mut archive)?;
    if archive.len() != PARTS.len() {
        let name =
            |i| archive.name_for_index(i).and_then(Result::ok).map_or("?".into(), |n| n.escape_debug().to_string());
        let names: Vec<String> = (0..archive.len().min(8)).map(|i| format!("`{}`", name(i))).collect();
        return Err(HandoverError::package(
            format!("it holds {} parts ({}), expected {}", archive.len(), names.join(", "), PARTS.join(", ")),
            "fetch the original file again",
        ));
    }
    let mut parts: [Vec<u8>; 5] = Default::default();
    let mut total = 0;
    for (i, (name, part)) in PARTS.iter().zip(&mut parts).enumerate() {
        *part = read_part(&mut archive, i, name, bytes.len())?;
        total += part.len();
    }
    // stored parts cannot hold more than the file: overlapping entries would
    if total > bytes.len() {
        return Err(HandoverError::package("its parts overlap", "fetch the original file again"));
    }
    Ok(parts)
}

/// A later version may hold other parts, so it is looked at first.
fn check_version(archive: &mut ZipArchive<Cursor<&[u8]>>) -> Result<(), HandoverError> {
    let no_package =
        || HandoverError::package("it is a zip file, but no model package", "check that this is the right file");
    let first = archive.name_for_index(0).and_then(Result::ok);
    if first.is_none_or(|name| name != FORMAT_FILE) {
        return Err(no_package());
    }
    let text = read_part(archive, 0, FORMAT_FILE, 256)?;
    let text = String::from_utf8(text).map_err(|_| no_package())?;
    let version = text.strip_prefix(FORMAT_HEAD).and_then(|v| v.trim_end().parse::<u64>().ok());
    match version {
        Some(FORMAT) => Ok(()),
        Some(found) if found > FORMAT => Err(HandoverError::FutureVersion { found, known: FORMAT }),
        _ => Err(no_package()),
    }
}

fn read_part(
    archive: &mut ZipArchive<Cursor<&[u8]>>,
    index: usize,
    name: &str,
    most: usize,
) -> Result<Vec<u8>, HandoverError> {
    let refuse = |problem: String| HandoverError::package(problem, "fetch the original file again");
    let entry = archive.by_index_raw(index).map_err(|e| refuse(format!("part {index} cannot be read ({e})")))?;
    let called = entry.name().map_err(|e| refuse(format!("part {index} has no readable name ({e})")))?;
    if called != name {
        return Err(refuse(format!("part {index} is called `{}`, expected `{name}`", called.escape_debug())));
    }
    drop(called);
    let (method, size, packed) = (entry.compression(), entry.size(), entry.compressed_size());
    if method != CompressionMethod::Stored || entry.encrypted() {
        return Err(refuse(format!("part `{name}` is compressed or encrypted; packages are stored plainly")));
    }
    if size != packed || size > most as u64 {
        return Err(refuse(format!("part `{name}` claims {size} bytes where at most {most} can be")));
    }
    drop(entry);
    let mut entry = archive.by_index(index).map_err(|e| refuse(format!("part `{name}` cannot be read ({e})")))?;
    let mut content = Vec::new();
    entry
        .by_ref()
        .take(most as u64 + 1)
        .read_to_end(&mut content)
        .map_err(|e| refuse(format!("part `{name}` cannot be read ({e}): the package was changed or damaged")))?;
    if content.len() as u64 != size {
        return Err(refuse(format!("part `{name}` has {} bytes, expected {size}", content.len())));
    }
    Ok(content)
}
