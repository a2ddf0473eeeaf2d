//! Files that are what is tested, watched while a session goes on: each was hashed before the first run, and a
//! session that goes on with other bytes is about no one firmware.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::PathBuf;

use dryfire_record::{File, FileRole};
use dryfire_scenario::BenchKind;

use crate::evidence::image_file;
use crate::library::BenchWithKiln;

/// The files that are what is tested, and of each whether it is the firmware image: the others are those words of a
/// program bench's command that name files beside the bench file, the controller itself in most cases. An
/// interpreter found by the system is no part of it.
pub(crate) fn tested_files(fitted: &BenchWithKiln) -> Vec<(PathBuf, bool)> {
    let bench = &fitted.bench;
    let mut files: Vec<(PathBuf, bool)> =
        bench.firmware_image.iter().map(|image| (fitted.folder.join(image), true)).collect();
    if let BenchKind::Program { command, .. } = &bench.kind {
        let named = command.iter().map(|word| fitted.folder.join(word)).filter(|path| path.is_file());
        files.extend(named.map(|path| (path, false)));
    }
    files
}

/// What changes when a file is written again: length, time in nanoseconds, number.
type Stamp = (u64, i64, i64, u64);

struct Image {
    path: PathBuf,
    sha256: String,
    stamp: Option<Stamp>,
    changed: Option<String>,
}

/// Those files, as they were before the first run.
pub(crate) struct Images(Vec<Image>);

impl Images {
    /// The files with the hashes that the session begins with.
    pub(crate) fn new(fitted: &BenchWithKiln, files: &[File]) -> Self {
        let hashes = files.iter().filter(|file| file.role == FileRole::Image).map(|file| file.sha256.clone());
        let images = tested_files(fitted).into_iter().zip(hashes);
        Images(images.map(|((path, _), sha256)| Image { path, sha256, stamp: None, changed: None }).collect())
    }

    /// Looks whether one was written again. Only what looks touched is hashed. One that is not there may be on its
    /// way, and counts at the end only.
    pub(crate) fn look(&mut self, at_the_end: bool) {
        for image in self.0.iter_mut().filter(|image| image.changed.is_none()) {
            let stamp = fs::metadata(&image.path).ok().map(|it| (it.len(), it.mtime(), it.mtime_nsec(), it.ino()));
            if stamp == image.stamp && !at_the_end {
                continue;
            }
            image.stamp = stamp;
            let shown = image.path.display();
            image.changed = match image_file(&image.path) {
                Ok(now) if now.sha256 == image.sha256 => None,
                Ok(now) => Some(format!(
                    "the file `{shown}`, which is what is tested, was changed while the session went on: SHA-256 {} \
                     before, {} after",
                    image.sha256, now.sha256
                )),
                Err(_) if !at_the_end => None,
                Err(_) => Some(format!(
                    "the file `{shown}`, which is what is tested, cannot be read any more at the end of the session"
                )),
            };
        }
    }

    /// What was found, a sentence each.
    pub(crate) fn changed(&self) -> impl Iterator<Item = &str> {
        self.0.iter().filter_map(|image| image.changed.as_deref())
    }
}
