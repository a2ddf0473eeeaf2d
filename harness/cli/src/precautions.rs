//! What a session on real wires asks of people before its first run and after its last one. Each answer is kept.

use std::sync::atomic::AtomicBool;

use dryfire_record::{Note, Recorder, utc};
use dryfire_report::{AFTER_NOTE, BEFORE_NOTE};

use crate::screen::{Mistake, Screen};
use crate::typed::{Typed, typed};

/// Before the first run: what it is about, and the question.
const BEFORE: [(&str, &str); 5] = [
    ("kiln disconnected", "Is the kiln unplugged, or disconnected from its supply?"),
    ("locked out", "Is it locked out, or its plug in your keeping?"),
    ("proved dead", "Was it proved dead on all poles, with a tester that was proved before and after?"),
    ("elements disconnected", "Are the elements disconnected from the controller's relays?"),
    ("extra-low voltage only", "Is there nothing but extra-low voltage on rig and controller?"),
];

/// After the last run.
const AFTER: [(&str, &str); 4] = [
    ("rig removed", "Are the rig, dummy coils and loads, and jumpers out, and the controller's own wires back?"),
    ("probes refitted", "Are the probes refitted, plus on plus?"),
    ("settings set back", "Is every setting that was changed for the test set back?"),
    ("settings read back", "Were probe types, offsets and limits read back?"),
];

/// What the first question is about.
const WHO: &str = "who answers";

const YES: &str = "yes";

/// To whom the controller on a bench is wired.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wires {
    /// To nobody: there is no rig.
    None,
    /// To a rig that plays the controller, too.
    Simulated,
    /// To a rig, or to something that did not say what it is.
    Real,
}

/// What was answered before the first run.
#[derive(Debug)]
pub(crate) struct Precautions {
    notes: Vec<Note>,
    afterwards: Afterwards,
}

#[derive(Debug)]
enum Afterwards {
    Nothing,
    Ask { who: String },
    NotAsked,
}

fn note(kind: &str, text: String) -> Note {
    Note { at: utc::now(), run: None, kind: kind.to_owned(), text }
}

/// A name as it is kept with what was answered or measured; `None` of one that nobody could read later: nothing but blanks,
/// or with characters that do not show.
pub(crate) fn readable(name: &str) -> Option<&str> {
    let name = name.trim();
    (name.chars().any(char::is_alphanumeric) && !name.chars().any(char::is_control)).then_some(name)
}

/// Asks, where there are wires to ask about. `declared_by` is whoever answered all of it before the program was started.
///
/// # Errors
/// Something was not answered with yes: the session does not begin.
pub(crate) fn before(wires: Wires, declared_by: Option<&str>) -> Result<Precautions, Mistake> {
    match wires {
        Wires::None => return Ok(Precautions { notes: Vec::new(), afterwards: Afterwards::Nothing }),
        Wires::Simulated => {
            let text = "nothing was asked: the rig is simulated, and no kiln is wired to it";
            return Ok(Precautions {
                notes: vec![note(BEFORE_NOTE, text.to_owned())],
                afterwards: Afterwards::Nothing,
            });
        }
        Wires::Real => {}
    }
    if let Some(given) = declared_by {
        let who = readable(given).ok_or_else(|| {
            Mistake::new(format!("--declared-by: expected a name, got `{}`", given.escape_debug()))
                .hint("it goes into the record: the name of whoever saw to it all")
        })?;
        let notes = BEFORE
            .iter()
            .map(|(about, _)| note(BEFORE_NOTE, format!("{about}: {YES}, declared beforehand by {who}, not asked")));
        return Ok(Precautions { notes: notes.collect(), afterwards: Afterwards::NotAsked });
    }
    let Some(typed) = typed() else {
        return Err(Mistake::new(
            "the session does not begin: nobody sits at the terminal to say that the kiln is disconnected and proved dead",
        )
        .hint("run it in a terminal and answer what it asks")
        .hint("where nobody sits, whoever saw to it all may declare it: --declared-by NAME; that goes into the record"));
    };
    // Until the first run Ctrl-C ends the program by itself.
    let never = AtomicBool::new(false);
    let who = answer(typed, "Before the first run, on real wires. Who answers? Your name:", &never);
    let who = who.as_deref().map(|typed| readable(typed).ok_or_else(|| refused(WHO, Some(typed))));
    let who = who.unwrap_or_else(|| Err(refused(WHO, None)))?.to_owned();
    let mut notes = Vec::new();
    for (about, question) in BEFORE {
        let said = answer(typed, &format!("{question} (yes or no)"), &never);
        if said.as_deref() != Some(YES) {
            return Err(refused(about, said.as_deref()));
        }
        notes.push(note(BEFORE_NOTE, format!("{about}: {YES}, answered by {who}")));
    }
    Ok(Precautions { notes, afterwards: Afterwards::Ask { who } })
}

fn refused(about: &str, said: Option<&str>) -> Mistake {
    let said = match said {
        None | Some("") => "was not answered".to_owned(),
        Some(said) => format!("was answered with `{}`", said.escape_debug()),
    };
    let takes = if about == WHO { "a name" } else { "a yes" };
    Mistake::new(format!("the session does not begin: `{about}` {said}, and it takes {takes}"))
        .hint("docs/rig.md says what has to be done before a controller is benched; `dryfire rig sheet BENCH` lists it")
}

/// What is typed to a question, in lower case unless it is a name; `None` if nobody answers.
fn answer(typed: &Typed, question: &str, stop: &AtomicBool) -> Option<String> {
    // What came before the question was meant for something else.
    typed.pending();
    Screen::question(question);
    let said = typed.next(stop)?;
    let said = said.trim();
    Some(if said.eq_ignore_ascii_case(YES) { YES.to_owned() } else { said.to_owned() })
}

impl Precautions {
    /// Whether something is asked after the last run.
    pub(crate) fn asks(&self) -> bool {
        matches!(self.afterwards, Afterwards::Ask { .. })
    }

    /// Puts the answers into the record.
    pub(crate) fn record(&self, recorder: &Recorder) {
        self.notes.iter().for_each(|note| recorder.note(note.clone()));
    }

    /// Asks what is to be done after the last run. What was not answered with yes stays to be done, and is told.
    pub(crate) fn after(&self, stop: &AtomicBool, screen: &Screen) -> Vec<Note> {
        let who = match &self.afterwards {
            Afterwards::Nothing => return Vec::new(),
            Afterwards::Ask { who } => Some(who),
            Afterwards::NotAsked => None,
        };
        let typed = who.and_then(|_| typed());
        let mut open = Vec::new();
        let notes = AFTER.iter().map(|(about, question)| {
            let said = typed.and_then(|typed| answer(typed, &format!("{question} (yes or no)"), stop));
            if said.as_deref() != Some(YES) {
                open.push(*about);
            }
            let text = match (said.as_deref(), who) {
                (Some(YES), Some(who)) => format!("{about}: {YES}, answered by {who}"),
                (Some(said), Some(who)) if !said.is_empty() => {
                    format!("{about}: to be done, `{said}` answered by {who}")
                }
                (_, None) => format!("{about}: to be done, not asked"),
                _ => format!("{about}: to be done, not answered"),
            };
            note(AFTER_NOTE, text)
        });
        let notes: Vec<Note> = notes.collect();
        if !open.is_empty() {
            screen.warn(&format!("before the kiln is fired again, still to be done: {}", open.join(", ")));
        }
        notes
    }
}
