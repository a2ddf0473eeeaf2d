//! `dryfire check`: mistakes in files, without running anything.

use std::collections::HashMap;

use dryfire_engine::{Binding, Plan};
use dryfire_report::{ExitStatus, neutralise};
use dryfire_scenario::{Checked, Diagnostic, FromFile, Severity, check_file};

use crate::Refusal;
use crate::args::CheckArguments;
use crate::files::{self, Unreadable, Wanted};
use crate::library::{Reader, ScenarioFile, check_defects, misfit};
use crate::screen::{Mistake, Screen};

pub(crate) fn check(arguments: &CheckArguments, screen: &mut Screen) -> Result<ExitStatus, Refusal> {
    if arguments.paths.is_empty() {
        return Err(Mistake::new("nothing to check: no file or folder was named")
            .hint("`dryfire check scenarios` checks the library from the project's folder")
            .into());
    }
    let paths = files::find(&arguments.paths, Wanted::Everything)?;
    let mut tally = Findings::default();
    let mut scenarios = Vec::new();
    let mut names: HashMap<String, String> = HashMap::new();
    for path in &paths {
        let shown = path.display().to_string();
        let text = match files::read(path) {
            Ok(text) => text,
            Err(Unreadable::Mistake(mistake)) => {
                tally.mistake(screen, &mistake);
                continue;
            }
            Err(Unreadable::TooLarge(diagnostic)) => {
                tally.diagnostic(screen, &diagnostic);
                continue;
            }
        };
        let (checked, diagnostics) = match check_file(&shown, &text) {
            Ok((checked, warnings)) => (Some(checked), warnings),
            Err(mistakes) => (None, mistakes),
        };
        for diagnostic in &diagnostics {
            tally.diagnostic(screen, diagnostic);
        }
        match checked {
            Some(Checked::Scenarios(found)) => {
                for FromFile { scenario, text, filled } in found {
                    tally.scenarios += 1;
                    if let Some(first) = names.insert(scenario.name.clone(), shown.clone()) {
                        let name = &scenario.name;
                        tally.mistake(
                            screen,
                            &Mistake::new(format!("two scenarios are called `{name}`: `{first}` and `{shown}`")),
                        );
                    }
                    scenarios.push(ScenarioFile { shown: shown.clone(), text, filled, scenario });
                }
            }
            Some(Checked::Bench(bench)) => {
                tally.benches += 1;
                for mistake in check_defects(&bench, &shown) {
                    tally.mistake(screen, &mistake);
                }
            }
            Some(Checked::Kiln(_)) => tally.kilns += 1,
            None => {}
        }
    }
    if let Some(path) = &arguments.bench {
        let mut reader = Reader::new(screen);
        let fitted = reader.bench(path);
        let fitted = reader.finish(fitted)?;
        for file in &arguments.selection.of(scenarios)? {
            let (scenario, bench) = (&file.scenario.name, &fitted.bench.name);
            match Plan::bind(&file.scenario, &fitted.bench, &fitted.kiln) {
                Ok(Binding::Ready(_)) => {}
                Ok(Binding::NotApplicable { reason }) => {
                    screen.out(neutralise(&format!("`{scenario}` is not applicable to the bench `{bench}`: {reason}")));
                    screen.out("\n");
                }
                Ok(Binding::Uncovered { reason }) => {
                    screen.out(neutralise(&format!("`{scenario}` is uncovered on the bench `{bench}`: {reason}")));
                    screen.out("\n");
                }
                Err(errors) => {
                    for error in errors {
                        tally.mistake(screen, &misfit(file, &fitted.bench, &error.message, error.span));
                    }
                }
            }
        }
    }
    screen.out(tally.in_words(paths.len()));
    Ok(if tally.errors > 0 { ExitStatus::BadInput } else { ExitStatus::AllHeld })
}

#[derive(Default)]
struct Findings {
    scenarios: usize,
    benches: usize,
    kilns: usize,
    warnings: usize,
    errors: usize,
}

impl Findings {
    fn diagnostic(&mut self, screen: &mut Screen, diagnostic: &Diagnostic) {
        screen.diagnostic(diagnostic);
        match diagnostic.severity {
            Severity::Warning => self.warnings += 1,
            Severity::Error => self.errors += 1,
        }
    }

    fn mistake(&mut self, screen: &mut Screen, mistake: &Mistake) {
        screen.out(format!("error: {}\n", neutralise(&mistake.message)));
        for hint in &mistake.hints {
            screen.out(format!("  hint: {}\n", neutralise(hint)));
        }
        self.errors += 1;
    }

    fn in_words(&self, files: usize) -> String {
        let counted = |count: usize, word: &str| match count {
            1 => format!("1 {word}"),
            _ if word == "bench" => format!("{count} benches"),
            _ => format!("{count} {word}s"),
        };
        format!(
            "{}: {}, {}; read as {}, {}, {}\n",
            counted(files, "file"),
            counted(self.errors, "error"),
            counted(self.warnings, "warning"),
            counted(self.scenarios, "scenario"),
            counted(self.benches, "bench"),
            counted(self.kilns, "kiln"),
        )
    }
}
