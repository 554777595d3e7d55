//! The design file: the demo reads clean, and every kind of mistake is refused in pinned words.

use mixwright_project::demo;
use mixwright_project::design::{CircuitText, Design, PartKind};
use std::path::Path;

fn demo() -> Design {
    Design::parse(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn the_demo_reads_without_findings() {
    let design = demo();
    assert!(design.findings.is_empty(), "{:?}", design.findings);
    assert_eq!(design.plan.seats.len(), 2);
    assert_eq!(design.requirements.len(), 11); // ten lines, one of them two-sided
    let CircuitText::Free(circuit) = &design.circuit else { panic!("the demo is a free circuit") };
    assert_eq!(circuit.diodes.len(), 4);
    assert_eq!(circuit.parts.iter().filter(|p| matches!(p.kind, PartKind::Section { .. })).count(), 4);
}
