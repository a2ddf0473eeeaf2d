//! Finding and reading files.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the command line is where files are read for the crates that may not"
)]

use std::collections::HashSet;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use dryfire_scenario::{Diagnostic, MAX_FILE_BYTES};

use crate::screen::Mistake;

/// Folders of a library that hold no scenarios.
const BESIDE_SCENARIOS: [&str; 2] = ["kilns", "benches"];

/// Where the default bench lies in a library folder.
pub(crate) const DEFAULT_BENCH: &str = "benches/virtual.yaml";

/// Which files of a folder are wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wanted {
    /// Scenarios: what lies in folders for kilns and benches is left out.
    Scenarios,
    /// Every kind of file.
    Everything,
}

/// The files that are meant by paths, sorted, each once.
pub(crate) fn find(paths: &[PathBuf], wanted: Wanted) -> Result<Vec<PathBuf>, Vec<Mistake>> {
    let mut found = Vec::new();
    let mut mistakes = Vec::new();
    for path in paths {
        let before = found.len();
        let result = match fs::metadata(path) {
            Ok(about) if about.is_dir() => search(path, wanted, &mut found),
            Ok(_) => {
                found.push(path.clone());
                Ok(())
            }
            Err(error) => Err(cannot_read(path, &error)),
        };
        match result {
            Ok(()) if found.len() == before => {
                mistakes.push(
                    Mistake::new(format!("no *.yaml file in the folder `{}`", path.display()))
                        .hint("folders named kilns and benches are not searched for scenarios"),
                );
            }
            Ok(()) => {}
            Err(mistake) => mistakes.push(mistake),
        }
    }
    if !mistakes.is_empty() {
        return Err(mistakes);
    }
    found.sort();
    let mut seen = HashSet::new();
    found.retain(|path| seen.insert(fs::canonicalize(path).unwrap_or_else(|_| path.clone())));
    Ok(found)
}

/// Symbolic links to folders are not followed, so there are no loops; one that leads out of
/// the folder is a mistake, because what lies behind it would be left out in silence.
fn search(folder: &Path, wanted: Wanted, found: &mut Vec<PathBuf>) -> Result<(), Mistake> {
    let root = fs::canonicalize(folder).map_err(|error| cannot_read(folder, &error))?;
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        let entries = fs::read_dir(&folder).map_err(|error| cannot_read(&folder, &error))?;
        for entry in entries {
            let entry = entry.map_err(|error| cannot_read(&folder, &error))?;
            let path = entry.path();
            let kind = entry.file_type().map_err(|error| cannot_read(&path, &error))?;
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if name.starts_with('.') {
                continue;
            }
            if kind.is_dir() {
                if wanted == Wanted::Everything || !BESIDE_SCENARIOS.contains(&name.as_ref()) {
                    folders.push(path);
                }
            } else if kind.is_symlink() && path.is_dir() {
                let target = fs::canonicalize(&path).map_err(|error| cannot_read(&path, &error))?;
                if !target.starts_with(&root) {
                    let shown = path.display();
                    return Err(Mistake::new(format!(
                        "`{shown}` is a symbolic link to a folder, which is not followed"
                    ))
                    .hint("name the folder that it leads to as well, or move the link elsewhere"));
                }
            } else if path
                .extension()
                .is_some_and(|it| it.eq_ignore_ascii_case("yaml") || it.eq_ignore_ascii_case("yml"))
            {
                found.push(path);
            }
        }
    }
    Ok(())
}

/// The bench of the library that the paths lie in: looked for in each path's
/// folder and up to two folders above it (the library, its families, a
/// family's parts).
pub(crate) fn default_bench(paths: &[PathBuf]) -> Option<PathBuf> {
    paths.iter().find_map(|path| {
        let folder = if path.is_dir() { path.as_path() } else { path.parent()? };
        let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
        let above = [folder.to_owned(), folder.join(".."), folder.join("../..")];
        // The way as it was written reads better than `a/b/../..`.
        let written = folder.ancestors().take(3).map(Path::to_path_buf);
        written.chain(above).map(|folder| folder.join(DEFAULT_BENCH)).find(|bench| bench.is_file())
    })
}

/// What reading a file came to, if it was no text.
pub(crate) enum Unreadable {
    /// It cannot be read.
    Mistake(Mistake),
    /// It is longer than files of its kind ever are.
    TooLarge(Box<Diagnostic>),
}

/// The text of a file that is not absurdly long; refused by its length before anything is read.
pub(crate) fn read(path: &Path) -> Result<String, Unreadable> {
    let shown = path.display().to_string();
    let fail = |error: &io::Error| Unreadable::Mistake(cannot_read(path, error));
    let about = fs::metadata(path).map_err(|error| fail(&error))?;
    if !about.is_file() {
        // Reading a pipe or a device could wait for ever.
        return Err(Unreadable::Mistake(Mistake::new(format!("`{shown}` is not a regular file"))));
    }
    if about.len() > MAX_FILE_BYTES {
        return Err(Unreadable::TooLarge(Box::new(Diagnostic::too_large(&shown, about.len()))));
    }
    let mut bytes = Vec::new();
    // It may have grown since.
    let file = File::open(path).map_err(|error| fail(&error))?;
    let length = file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(|error| fail(&error))?;
    if length as u64 > MAX_FILE_BYTES {
        return Err(Unreadable::TooLarge(Box::new(Diagnostic::too_large(&shown, length as u64))));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let line = error.as_bytes()[..at].iter().filter(|byte| **byte == b'\n').count() + 1;
        Unreadable::Mistake(
            Mistake::new(format!("`{shown}` is not UTF-8 text: the first wrong byte is in line {line}"))
                .hint("save it as UTF-8 in your editor"),
        )
    })
}

fn cannot_read(path: &Path, error: &io::Error) -> Mistake {
    let shown = path.display();
    match error.kind() {
        io::ErrorKind::NotFound => {
            let mistake = Mistake::new(format!("there is no file or folder `{shown}`"));
            match beside(path) {
                Some(near) => mistake.hint(format!("did you mean `{}`?", near.display())),
                None => mistake.hint("paths are relative to the folder that the command is given in"),
            }
        }
        _ => Mistake::new(format!("`{shown}` cannot be read: {error}")),
    }
}

/// Something in the same folder whose name differs by its ending or by one or
/// two letters, for a hint.
fn beside(path: &Path) -> Option<PathBuf> {
    let wanted = path.file_name()?.to_string_lossy().into_owned();
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut near: Vec<(usize, PathBuf)> = fs::read_dir(folder)
        .ok()?
        .take(500)
        .filter_map(|entry| {
            let name = entry.ok()?.file_name();
            let distance = distance(&wanted, &name.to_string_lossy())
                .min(distance(&wanted, &Path::new(&name).file_stem()?.to_string_lossy()));
            (distance <= 2 && distance < wanted.chars().count()).then(|| (distance, path.with_file_name(name)))
        })
        .collect();
    near.sort();
    near.into_iter().next().map(|(_, path)| path)
}

/// How many letters have to be put in, taken out or changed (Levenshtein).
pub(crate) fn distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut row: Vec<usize> = (0..=other.len()).collect();
    for (index, letter) in one.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = index + 1;
        for place in 0..other.len() {
            let changed = diagonal + usize::from(letter != other[place]);
            diagonal = row[place + 1];
            row[place + 1] = changed.min(diagonal + 1).min(row[place] + 1);
        }
    }
    row[other.len()]
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// The pairs are the textbook's (Wagner and Fischer's problem; "kitten" and "sitting" from memory).
    #[rstest]
    #[case("kitten", "sitting", 3)]
    #[case("", "abc", 3)]
    #[case("lid-ignored", "lid-ignored", 0)]
    fn letters_to_change(#[case] one: &str, #[case] other: &str, #[case] expected: usize) {
        assert_eq!(distance(one, other), expected);
        assert_eq!(distance(other, one), expected);
    }
}
