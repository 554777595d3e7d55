//! Order in the house: the import table tells the truth, no file carries a path of someone's machine.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// Files longer than this get a note.
const LONG_FILE: usize = 800;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().expect("the workspace has a root")
}

fn read(path: &Path) -> String {
    fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// Own crates each crate imports, by directory name, from its manifest.
fn manifest_imports() -> BTreeMap<String, BTreeSet<String>> {
    let crates = root().join("crates");
    let names: BTreeSet<String> = fs::read_dir(&crates)
        .expect("there are crates")
        .map(|entry| entry.expect("an entry").path())
        .filter(|path| path.join("Cargo.toml").is_file())
        .map(|path| path.file_name().expect("a name").to_string_lossy().into_owned())
        .collect();
    names
        .iter()
        .map(|name| {
            let manifest: toml::Table = read(&crates.join(name).join("Cargo.toml")).parse().expect("a manifest");
            let imports = manifest.get("dependencies").and_then(toml::Value::as_table).cloned().unwrap_or_default();
            (name.clone(), imports.keys().filter(|k| names.contains(*k)).cloned().collect())
        })
        .collect()
}

/// Rows of the import table of ARCHITECTURE.md, in order.
fn table_imports() -> Vec<(String, BTreeSet<String>)> {
    let page = read(&root().join("ARCHITECTURE.md"));
    let section = page.split("## Import table").nth(1).expect("the page has an import table");
    let section = section.split("\n## ").next().expect("a section");
    section
        .lines()
        .filter(|line| line.starts_with('|') && !line.contains("---"))
        .skip(1)
        .map(|line| {
            let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
            let imports = cells[2].split(',').map(str::trim).filter(|c| !c.is_empty()).map(String::from).collect();
            (cells[0].to_string(), imports)
        })
        .collect()
}

#[test]
fn the_import_table_tells_the_truth() {
    let manifests = manifest_imports();
    let table = table_imports();
    assert!(table.len() >= 10, "the table has only {} rows", table.len());
    let in_table: BTreeMap<_, _> = table.iter().cloned().collect();
    assert_eq!(in_table.len(), table.len(), "a crate stands twice in the table");
    for (name, imports) in &manifests {
        let row = in_table.get(name).unwrap_or_else(|| panic!("ARCHITECTURE.md has no row for `{name}`"));
        assert_eq!(row, imports, "`{name}`: the table and crates/{name}/Cargo.toml disagree on what it imports");
    }
    for name in in_table.keys() {
        assert!(manifests.contains_key(name), "ARCHITECTURE.md has a row for `{name}`, which is not a crate");
    }
}

#[test]
fn imports_go_up_the_table_only() {
    let table = table_imports();
    for (row, (name, imports)) in table.iter().enumerate() {
        let above: BTreeSet<&str> = table[..row].iter().map(|(n, _)| n.as_str()).collect();
        for import in imports {
            assert!(above.contains(import.as_str()), "`{name}` imports `{import}`, which does not stand above it");
        }
    }
}

#[test]
fn the_control_crate_imports_nothing_it_controls() {
    let imports = &manifest_imports()["proof"];
    assert!(imports.is_empty(), "proof imports {imports:?}, so a control could share a mistake with what it controls");
}

/// Every text file of the repository outside build folders.
fn text_files() -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![root()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a readable folder") {
            let path = entry.expect("an entry").path();
            let name = path.file_name().expect("a name").to_string_lossy().into_owned();
            if path.is_dir() {
                if !matches!(name.as_str(), "target" | ".git" | "node_modules") && !name.starts_with("mixwright-demo") {
                    folders.push(path);
                }
            } else if [".rs", ".toml", ".md", ".json", ".csv", ".svg"].iter().any(|e| name.ends_with(e))
                || name == "run"
            {
                found.push(path);
            }
        }
    }
    found
}

#[test]
fn no_file_carries_a_path_of_someones_machine() {
    // put together here so that this file does not find itself
    let marks: Vec<String> = [["/ho", "me/"], ["/ro", "ot/"], ["/Us", "ers/"], ["/wo", "rk/"], ["C:", "\\Users"]]
        .map(|p| p.concat())
        .to_vec();
    let mut bad = Vec::new();
    for path in text_files() {
        let Ok(text) = fs::read_to_string(&path) else { continue };
        let found = text.lines().enumerate().filter(|(_, line)| marks.iter().any(|m| line.contains(m.as_str())));
        bad.extend(found.map(|(i, _)| format!("{}:{}", path.display(), i + 1)));
    }
    assert!(bad.is_empty(), "paths of a machine in {bad:#?}");
}

#[test]
fn long_files_get_a_note() {
    let files = text_files();
    let sources: Vec<&PathBuf> = files.iter().filter(|p| p.extension().is_some_and(|e| e == "rs")).collect();
    assert!(sources.len() > 50, "only {} sources found: this test looks in the wrong place", sources.len());
    for path in sources {
        let n_lines = read(path).lines().count();
        if n_lines > LONG_FILE {
            eprintln!("note: {} has {n_lines} lines", path.display());
        }
    }
}

#[test]
fn the_documents_refer_to_files_that_exist() {
    let root = root();
    let pages = [
        "README.md",
        "ARCHITECTURE.md",
        "DESIGN.md",
        "docs/guide/README.md",
        "docs/guide/first-review.md",
        "docs/guide/field-data.md",
        "docs/guide/reading-the-report.md",
        "docs/exit-codes.md",
    ];
    for page in pages {
        let path = root.join(page);
        let text = read(&path);
        let links = text.split("](").skip(1).filter_map(|rest| rest.split(')').next());
        for link in links.filter(|l| !l.contains("://") && !l.starts_with('#')) {
            let target = path.parent().expect("a folder").join(link);
            assert!(target.exists(), "{page} refers to `{link}`, which does not exist");
        }
    }
}
