//! `dryfire report`: a record as a page for people.
#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the command line is where files are read and written"
)]

use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use dryfire_record::{Record, seal};
use dryfire_report::{ExitStatus, Seal, neutralise, report_html};

use crate::Refusal;
use crate::args::ReportArguments;
use crate::record::not_as_sealed;
use crate::screen::{Mistake, Screen};

pub(crate) fn report(arguments: &ReportArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    let path = arguments.record.as_path();
    let out = arguments.out.clone().unwrap_or_else(|| path.with_extension("html"));
    if same_file(path, &out) {
        return Err(Mistake::new("the report would take the place of the record itself")
            .hint("name another file with --out")
            .into());
    }
    let record = Record::open(path).map_err(|error| Mistake::new(error.to_string()))?;
    if let Some(mistake) = not_as_sealed(path, &record, screen)? {
        screen.complain(&mistake);
        return Ok(ExitStatus::Error);
    }
    let html = sealed(&record, path).and_then(|seal| report_html(&record, &seal).map_err(|error| error.to_string()));
    let html = match html {
        Ok(html) => html,
        Err(error) => {
            screen.complain(&Mistake::new(error));
            return Ok(ExitStatus::Error);
        }
    };
    if !record.session().finished {
        screen.warn("the record is unfinished: the report says so, and shows nothing as a whole");
    }
    let shown = neutralise(&out.display().to_string());
    if let Err(error) = write_whole(&out, html.as_bytes()) {
        screen.complain(&Mistake::new(format!("the report `{shown}` cannot be written: {error}")));
        return Ok(ExitStatus::Error);
    }
    screen.out(format!("Report: {shown} ({} bytes)\n", html.len()));
    Ok(ExitStatus::AllHeld)
}

/// What the report says of the record's bytes.
fn sealed(record: &Record, path: &Path) -> Result<Seal, String> {
    if !record.session().finished {
        return Ok(Seal::Unfinished);
    }
    let bytes = fs::read(path).map_err(|error| format!("`{}` cannot be read: {error}", path.display()))?;
    Ok(Seal::Finished { sha256: seal::sha256_hex(&bytes), bytes: bytes.len() as u64 })
}

pub(crate) fn same_file(one: &Path, other: &Path) -> bool {
    let whole = |path: &Path| -> PathBuf { path.canonicalize().unwrap_or_else(|_| path.to_owned()) };
    whole(one) == whole(other)
}

/// Written beside its place and put there when it is whole, so that nobody reads half of it.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    let beside = PathBuf::from(beside);
    let write = || {
        let mut file = fs::File::create(&beside)?;
        file.write_all(bytes)?;
        drop(file);
        fs::rename(&beside, path)
    };
    write().inspect_err(|_| drop(fs::remove_file(&beside)))
}
