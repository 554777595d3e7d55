//! Results are kept by content; damaged ones are computed again. Alone in its program: the folder is one for a process.

use mixwright_project::design::Design;
use mixwright_project::{cache, demo, field};
use std::path::{Path, PathBuf};

fn demo() -> Design {
    Design::parse(demo::CIRCUIT_FILE, demo::CIRCUIT_TEXT, Path::new("")).unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn a_section_is_kept_and_a_damaged_entry_is_solved_again() {
    let folder = std::env::temp_dir().join(format!("mixwright-kept-{}", std::process::id()));
    cache::use_folder(Some(&folder));
    let design = demo().moved(&[("film1.thickness", 14.2e-6)]).expect("known");
    let stack = &design.technology.as_ref().expect("it has a stack").stackup;
    let strips = [lines::Strip::line("a", "M2", 0.0, 31e-6), lines::Strip::line("b", "M1", 0.0, 41e-6)];
    let first = field::line_table(stack, &strips, None).expect("solved");
    let entries = || -> Vec<PathBuf> {
        let inner = |d: std::fs::DirEntry| std::fs::read_dir(d.path()).expect("ours").flatten().map(|e| e.path());
        let mut all: Vec<PathBuf> = std::fs::read_dir(&folder).expect("made").flatten().flat_map(inner).collect();
        all.sort();
        all
    };
    let kept = entries();
    assert!(!kept.is_empty(), "an entry was written");
    // read back from the folder: the same bits
    cache::forget();
    let second = field::line_table(stack, &strips, None).expect("kept");
    assert_eq!(first.data(), second.data());
    // every kind of damage leads to a new solution and a sound entry
    for damage in [|b: &mut Vec<u8>| b.truncate(60), |b: &mut Vec<u8>| b[200] ^= 1, |b: &mut Vec<u8>| b.clear()] {
        for path in &kept {
            let mut bytes = std::fs::read(path).expect("ours");
            damage(&mut bytes);
            std::fs::write(path, bytes).expect("ours");
        }
        cache::forget();
        let again = field::line_table(stack, &strips, None).expect("solved");
        assert_eq!(first.data(), again.data());
    }
    cache::forget();
    assert_eq!(entries(), kept);
    assert_eq!(field::line_table(stack, &strips, None).expect("kept").data(), first.data());
    // another width is another entry
    let other = [lines::Strip::line("a", "M2", 0.0, 31.1e-6), strips[1].clone()];
    assert_ne!(field::line_table(stack, &other, None).expect("solved").data(), first.data());
    cache::use_folder(None);
    std::fs::remove_dir_all(&folder).expect("ours");
}
