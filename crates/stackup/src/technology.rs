//! A process that several designs share.

use crate::{LayerMap, Layout, Rule, Stackup, StackupError, Violation, check_rules};

/// Stack, rules and mask numbers of a process.
#[derive(Debug, Clone, PartialEq)]
pub struct Technology {
    /// Name.
    pub name: String,
    /// Layers and materials.
    pub stackup: Stackup,
    /// Rules.
    pub rules: Vec<Rule>,
    /// Numbers of the layers in mask data.
    pub layer_map: Vec<LayerMap>,
}

impl Technology {
    /// Refuses layers of rules and map that the stack does not have, and mask numbers used twice.
    pub fn check(&self) -> Result<(), StackupError> {
        self.stackup.faces()?;
        let of_rules = self.rules.iter().flat_map(|r| match r {
            Rule::Width { layer, .. } | Rule::Space { layer, .. } | Rule::Edge { layer, .. } => vec![layer],
            Rule::Overlap { inner, outer, .. } => inner.iter().chain([outer]).collect(),
        });
        for layer in of_rules.chain(self.layer_map.iter().map(|m| &m.layer)) {
            self.stackup.layer(layer)?;
        }
        for (i, a) in self.layer_map.iter().enumerate() {
            let same = |b: &&LayerMap| (a.number, a.datatype) == (b.number, b.datatype) || a.layer == b.layer;
            if let Some(b) = self.layer_map[..i].iter().find(same) {
                return Err(StackupError::Duplicate { name: format!("{} and {} (mask numbers)", b.layer, a.layer) });
            }
        }
        Ok(())
    }

    /// Where a layout breaks the rules; refuses layers that the stack does not have.
    pub fn check_layout(&self, layout: &Layout) -> Result<Vec<Violation>, StackupError> {
        let of_vias = layout.vias.iter().flat_map(|v| [&v.from, &v.to]);
        for layer in layout.shapes.iter().map(|s| &s.layer).chain(of_vias) {
            self.stackup.layer(layer)?;
        }
        check_rules(layout, &self.rules)
    }
}
