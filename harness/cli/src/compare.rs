//! `dryfire compare`: two records side by side.

use std::path::Path;

use dryfire_record::Record;
use dryfire_report::{Comparison, ExitStatus, compare_html, compare_json, compare_text, neutralise};

use crate::Refusal;
use crate::args::{CompareArguments, Format};
use crate::record::not_as_sealed;
use crate::report::{same_file, write_whole};
use crate::screen::{Mistake, Screen};

pub(crate) fn compare(arguments: &CompareArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    if let Some(out) = &arguments.html
        && (same_file(out, &arguments.old) || same_file(out, &arguments.new))
    {
        return Err(Mistake::new("the page would take the place of a record").hint("name another file").into());
    }
    let open = |path: &Path| Record::open(path).map_err(|error| Mistake::new(error.to_string()));
    let (old, new) = (open(&arguments.old)?, open(&arguments.new)?);
    for (record, path, which) in [(&old, &arguments.old, "old"), (&new, &arguments.new, "new")] {
        if let Some(mistake) = not_as_sealed(path, record, screen)? {
            screen.complain(&mistake);
            return Ok(ExitStatus::Error);
        }
        if !record.session().finished {
            screen.warn(&format!("the {which} record is unfinished: it shows nothing as a whole"));
        }
    }
    let comparison = match Comparison::of(&old, &new) {
        Ok(comparison) => comparison,
        Err(error) => {
            screen.complain(&Mistake::new(error.to_string()));
            return Ok(ExitStatus::Error);
        }
    };
    if let Some(out) = &arguments.html {
        let shown = neutralise(&out.display().to_string());
        let html = match compare_html(&comparison, &old, &new) {
            Ok(html) => html,
            Err(error) => {
                screen.complain(&Mistake::new(error.to_string()));
                return Ok(ExitStatus::Error);
            }
        };
        if let Err(error) = write_whole(out, html.as_bytes()) {
            screen.complain(&Mistake::new(format!("the page `{shown}` cannot be written: {error}")));
            return Ok(ExitStatus::Error);
        }
    }
    match arguments.format {
        Format::Text => {
            let width = screen.width();
            screen.text(&compare_text(&comparison, width));
            if let Some(out) = &arguments.html {
                screen.out(format!("Page: {}\n", neutralise(&out.display().to_string())));
            }
        }
        Format::Json => screen.out(compare_json(&comparison)),
    }
    Ok(comparison.exit_status())
}
