//! Where a model comes from: a chain of hashes told in the words of the W3C provenance vocabulary.
//!
//! Input: the links in order (design, field data, diode set, measured units, …). Output: a PROV-JSON document (entity,
//! activity, agent, wasDerivedFrom, wasGeneratedBy, used, wasAssociatedWith; W3C Member Submission of 2013-04-24) in
//! which every entity carries the hash of its content and the hash of the chain up to it.
//! A hash tells nothing about the content, but whoever has the content can prove that it was this one.

use crate::HandoverError;
use serde_json::{Map, Value, json};

/// One thing the model was made from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Link {
    /// Short name without spaces, unique, for example `design`.
    pub key: String,
    /// What it is, for people.
    pub label: String,
    /// blake3 hash of its content, hexadecimal.
    pub blake3: String,
}

impl Link {
    /// A link to some content.
    pub fn to(key: &str, label: impl Into<String>, content: &[u8]) -> Self {
        Self { key: key.into(), label: label.into(), blake3: blake3::hash(content).to_hex().to_string() }
    }
}

/// The chain with who made the package and with what.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Provenance {
    /// Links, each derived from the one before; the last two are the diode set and the network of the package itself.
    pub links: Vec<Link>,
    /// Maker.
    pub maker: String,
    /// Program and version.
    pub program: String,
}

/// Hash of the chain up to each link: hash of the chain before and of the content.
pub fn chain(links: &[Link]) -> Vec<String> {
    let mut before = String::from("mixwright chain 1");
    links
        .iter()
        .map(|l| {
            before = blake3::hash(format!("{before}\n{}\n{}\n", l.key, l.blake3).as_bytes()).to_hex().to_string();
            before.clone()
        })
        .collect()
}

impl Provenance {
    /// The PROV-JSON document.
    pub fn document(&self) -> String {
        let id = |key: &str| format!("mw:{key}");
        let (mut entity, mut derived, mut used) = (Map::new(), Map::new(), Map::new());
        for (link, chain) in self.links.iter().zip(chain(&self.links)) {
            let about = json!({ "prov:label": link.label, "mw:blake3": link.blake3, "mw:chain": chain });
            entity.insert(id(&link.key), about);
            used.insert(
                format!("_:used-{}", link.key),
                json!({ "prov:activity": "mw:packing", "prov:entity": id(&link.key) }),
            );
        }
        entity.insert("mw:package".into(), json!({ "prov:label": "this model package" }));
        let keys: Vec<String> = self.links.iter().map(|l| id(&l.key)).chain(["mw:package".to_string()]).collect();
        for pair in keys.windows(2) {
            let name = format!("_:derived-{}", pair[1].trim_start_matches("mw:"));
            derived.insert(name, json!({ "prov:generatedEntity": pair[1], "prov:usedEntity": pair[0] }));
        }
        let document = json!({
            "prefix": { "prov": "http://www.w3.org/ns/prov#", "mw": "urn:mixwright:" },
            "entity": entity,
            "activity": { "mw:packing": { "prov:label": "packing of the model" } },
            "agent": {
                "mw:maker": { "prov:label": self.maker },
                "mw:program": { "prov:type": "prov:SoftwareAgent", "prov:label": self.program },
            },
            "wasDerivedFrom": derived,
            "used": used,
            "wasGeneratedBy": { "_:generated": { "prov:entity": "mw:package", "prov:activity": "mw:packing" } },
            "wasAssociatedWith": {
                "_:by-maker": { "prov:activity": "mw:packing", "prov:agent": "mw:maker" },
                "_:by-program": { "prov:activity": "mw:packing", "prov:agent": "mw:program" },
            },
            "wasAttributedTo": { "_:attributed": { "prov:entity": "mw:package", "prov:agent": "mw:maker" } },
        });
        format!("{document:#}\n")
    }

    /// Reads a document back and checks its chain.
    ///
    /// # Errors
    /// A document of another shape, or a chain whose hashes do not follow from each other.
    pub fn parse(text: &str) -> Result<Self, HandoverError> {
        let broken =
            |what: &str| HandoverError::package(format!("its provenance {what}"), "ask the maker for it again");
        let value: Value = serde_json::from_str(text).map_err(|_| broken("is no JSON"))?;
        let field = |v: &Value, key: &str| v[key].as_str().map(String::from).ok_or_else(|| broken("lacks a field"));
        let derived = value["wasDerivedFrom"].as_object().ok_or_else(|| broken("has no derivations"))?;
        // walk back from the package
        let mut order: Vec<String> = Vec::new();
        let mut at = "mw:package".to_string();
        while let Some(step) = derived.values().find(|d| d["prov:generatedEntity"].as_str() == Some(&at)) {
            at = field(step, "prov:usedEntity")?;
            if order.contains(&at) {
                return Err(broken("runs in a circle"));
            }
            order.push(at.clone());
        }
        order.reverse();
        let mut links = Vec::new();
        let mut told = Vec::new();
        for id in &order {
            let e = &value["entity"][id];
            let key = id.trim_start_matches("mw:").to_string();
            links.push(Link { key, label: field(e, "prov:label")?, blake3: field(e, "mw:blake3")? });
            told.push(field(e, "mw:chain")?);
        }
        if links.is_empty() || chain(&links) != told {
            return Err(broken("is a chain whose hashes do not follow from each other"));
        }
        Ok(Self {
            links,
            maker: field(&value["agent"]["mw:maker"], "prov:label")?,
            program: field(&value["agent"]["mw:program"], "prov:label")?,
        })
    }
}
