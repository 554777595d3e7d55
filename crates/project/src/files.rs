//! Files: a design read, a review written. Nothing is ever left half written.

use crate::demo;
use crate::design::Design;
use crate::error::ProjectError;
use spec::Review;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Reads a design file.
///
/// # Errors
/// The file cannot be read, or has problems.
pub fn read_design(path: &Path) -> Result<Design, ProjectError> {
    let bytes = std::fs::read(path).map_err(ProjectError::io("read", path))?;
    let text = String::from_utf8(bytes).map_err(|error| ProjectError::Io {
        what: "read",
        path: path.to_path_buf(),
        source: std::io::Error::new(std::io::ErrorKind::InvalidData, error),
    })?;
    let folder = path.parent().unwrap_or(Path::new(""));
    Ok(Design::parse(&path.display().to_string(), &text, folder)?)
}

/// Writes a file through a temporary neighbour and a rename.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write_whole(path: &Path, content: &[u8]) -> Result<(), ProjectError> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::create_dir_all(folder).map_err(ProjectError::io("make the folder", folder))?;
    let name = path.file_name().map_or_else(|| "output".into(), |n| n.to_string_lossy().into_owned());
    let temporary = folder.join(format!(".{name}.{}.part", std::process::id()));
    let written = write_and_sync(&temporary, content).and_then(|()| std::fs::rename(&temporary, path));
    written.map_err(|source| {
        // the neighbour is ours; when removing it fails too, the first error is the one to report
        let _ = std::fs::remove_file(&temporary);
        ProjectError::Io { what: "write", path: path.to_path_buf(), source }
    })
}

fn write_and_sync(path: &Path, content: &[u8]) -> std::io::Result<()> {
    let mut file = std::fs::File::create(path)?;
    file.write_all(content)?;
    file.sync_all()
}

/// Writes page, JSON, table, text and pictures of a review; gives their paths, the page first.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write_review(review: &Review, folder: &Path) -> Result<Vec<PathBuf>, ProjectError> {
    write_named(review, folder, "review")
}

/// The same under another name than `review`.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write_named(review: &Review, folder: &Path, name: &str) -> Result<Vec<PathBuf>, ProjectError> {
    let mut files = vec![
        (format!("{name}.html"), report::html(review)),
        (format!("{name}.json"), report::json(review)),
        (format!("{name}.csv"), report::csv(review)),
        (format!("{name}.txt"), report::summary_text(review)),
    ];
    files.extend(report::pictures(review).into_iter().map(|(name, svg)| {
        let name = if name.ends_with(".svg") { name } else { format!("{name}.svg") };
        (format!("pictures/{name}"), svg)
    }));
    let mut paths = Vec::new();
    for (name, content) in files {
        let path = folder.join(name);
        write_whole(&path, content.as_bytes())?;
        paths.push(path);
    }
    Ok(paths)
}

/// Writes page, JSON and pictures of a spread, and the table of its units; gives their paths, the page first.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write_spread(page: &Review, units: &str, folder: &Path) -> Result<Vec<PathBuf>, ProjectError> {
    let mut files = vec![
        ("spread.html".to_string(), report::html(page)),
        ("spread.json".to_string(), report::json(page)),
        ("units.csv".to_string(), units.to_string()),
    ];
    files.extend(report::pictures(page).into_iter().map(|(name, svg)| {
        let name = if name.ends_with(".svg") { name } else { format!("{name}.svg") };
        (format!("pictures/{name}"), svg)
    }));
    let mut paths = Vec::new();
    for (name, content) in files {
        let path = folder.join(name);
        write_whole(&path, content.as_bytes())?;
        paths.push(path);
    }
    Ok(paths)
}

/// Writes the demonstration into a folder: the design at circuit level, the same from network data, and the data.
/// Gives the path of the design at circuit level.
///
/// # Errors
/// The folder cannot be made or written to.
pub fn write_demo(folder: &Path) -> Result<PathBuf, ProjectError> {
    let data = demo::network_data()?;
    write_whole(&folder.join(demo::NETWORK_DATA_FILE), data.as_bytes())?;
    write_whole(&folder.join(demo::NETWORK_FILE), demo::NETWORK_TEXT.as_bytes())?;
    write_whole(&folder.join(demo::FULL_FILE), demo::FULL_TEXT.as_bytes())?;
    let path = folder.join(demo::CIRCUIT_FILE);
    write_whole(&path, demo::CIRCUIT_TEXT.as_bytes())?;
    Ok(path)
}
