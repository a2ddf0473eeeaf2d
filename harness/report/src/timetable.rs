//! How long a session takes in real time, whom it needs, and what fits into half an hour or a night.

use dryfire_units::RigSpan;
use serde::Serialize;

use crate::ExitStatus;
use crate::columns::{Cell, push_row, widths};
use crate::json::{FORMAT, line};
use crate::summary::{NARROWEST, WIDEST};
use crate::text::{Line, Style, Text};

/// A scenario that applies to the bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimetableEntry {
    /// Its name.
    pub scenario: String,
    /// The file it stands in.
    pub file: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// How long it took with the stand-in; `None` where that broke down.
    pub usual: Option<RigSpan>,
    /// How long it takes if everything that is waited for comes as late as it may.
    pub longest: RigSpan,
    /// What somebody has to be there for, in order; empty: nothing.
    pub attended: Vec<String>,
}

impl TimetableEntry {
    /// The time to reckon with.
    pub fn time(&self) -> RigSpan {
        self.usual.unwrap_or(self.longest)
    }
}

/// A scenario that does not run on the bench.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotScheduled {
    /// Its name.
    pub scenario: String,
    /// The hazards it guards against.
    pub hazards: Vec<String>,
    /// Whether the hazard is there and nothing meets it; otherwise it is not applicable.
    pub uncovered: bool,
    /// Why, in words.
    pub reason: String,
}

/// A choice of scenarios, in the order in which to run them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimetableSet {
    /// Its name.
    pub name: &'static str,
    /// Indices into [`Timetable::entries`].
    pub entries: Vec<usize>,
    /// How long it takes.
    pub usual: RigSpan,
    /// How long at the most.
    pub longest: RigSpan,
    /// Until when somebody has to be there, from the beginning; zero: never.
    pub attended_until: RigSpan,
    /// Hazards that apply to the bench and that nothing in the set speaks to.
    pub left_out: Vec<String>,
}

/// What a session in real time comes to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Timetable {
    /// The bench.
    pub bench: String,
    /// What applies, those first that need somebody, the shorter before the longer.
    pub entries: Vec<TimetableEntry>,
    /// What does not.
    pub not_scheduled: Vec<NotScheduled>,
}

const HALF_AN_HOUR: RigSpan = RigSpan::from_minutes(30);
const A_NIGHT: RigSpan = RigSpan::from_minutes(10 * 60);

impl Timetable {
    /// Puts the scenarios in order: what needs somebody comes together and first.
    pub fn new(bench: String, mut entries: Vec<TimetableEntry>, not_scheduled: Vec<NotScheduled>) -> Self {
        entries.sort_by_key(|entry| (entry.attended.is_empty(), entry.time()));
        Timetable { bench, entries, not_scheduled }
    }

    /// Sets for half an hour, for a night of ten hours, and everything.
    pub fn sets(&self) -> [TimetableSet; 3] {
        [self.set("30 minutes", Some(HALF_AN_HOUR)), self.set("overnight", Some(A_NIGHT)), self.set("full", None)]
    }

    /// First the shortest file of each hazard, the cheapest hazard first, then whatever is shortest.
    /// Whole files, because that is what can be named to `dryfire run`.
    fn set<'a>(&'a self, name: &'static str, room: Option<RigSpan>) -> TimetableSet {
        let mut shortest_first = self.by_file();
        shortest_first.sort_by_key(|file| file.time);
        let mut taken: Vec<usize> = Vec::new();
        let mut shown: Vec<&str> = Vec::new();
        let mut time = RigSpan::ZERO;
        let mut take = |file: &OneFile<'a>| {
            let with = RigSpan::from_micros(time.as_micros() + file.time.as_micros());
            let fits = room.is_none_or(|room| with <= room) && !taken.contains(&file.entries[0]);
            if fits {
                time = with;
                taken.extend(&file.entries);
            }
            fits
        };
        for file in &shortest_first {
            if file.hazards.iter().any(|hazard| !shown.contains(hazard)) && take(file) {
                shown.extend(&file.hazards);
            }
        }
        shortest_first.iter().for_each(|file| {
            take(file);
        });
        // Entries stand in the order to run in.
        taken.sort_unstable();
        let sum = |of: &dyn Fn(&TimetableEntry) -> RigSpan| {
            RigSpan::from_micros(taken.iter().map(|index| of(&self.entries[*index]).as_micros()).sum())
        };
        let mut left_out: Vec<String> = self
            .entries
            .iter()
            .flat_map(|entry| &entry.hazards)
            .filter(|hazard| !shown.contains(&hazard.as_str()))
            .cloned()
            .collect();
        left_out.sort_unstable();
        left_out.dedup();
        TimetableSet {
            name,
            usual: sum(&|entry| entry.time()),
            longest: sum(&|entry| entry.longest),
            attended_until: sum(&|entry| if entry.attended.is_empty() { RigSpan::ZERO } else { entry.time() }),
            left_out,
            entries: taken,
        }
    }

    fn by_file(&self) -> Vec<OneFile<'_>> {
        let mut files: Vec<OneFile<'_>> = Vec::new();
        for (index, entry) in self.entries.iter().enumerate() {
            let hazards = entry.hazards.iter().map(String::as_str);
            match files.iter_mut().find(|file| file.file == entry.file) {
                Some(file) => {
                    file.entries.push(index);
                    file.hazards.extend(hazards);
                    file.time = RigSpan::from_micros(file.time.as_micros() + entry.time().as_micros());
                }
                None => files.push(OneFile {
                    file: &entry.file,
                    entries: vec![index],
                    hazards: hazards.collect(),
                    time: entry.time(),
                }),
            }
        }
        files
    }

    /// [`ExitStatus::NothingApplicable`] if nothing runs on the bench, else [`ExitStatus::AllHeld`].
    pub fn exit_status(&self) -> ExitStatus {
        if self.entries.is_empty() { ExitStatus::NothingApplicable } else { ExitStatus::AllHeld }
    }
}

/// The scenarios of one file, at least one.
struct OneFile<'a> {
    file: &'a str,
    /// Indices into [`Timetable::entries`].
    entries: Vec<usize>,
    hazards: Vec<&'a str>,
    time: RigSpan,
}

/// What the times do not hold.
const NOTES: [&str; 2] = [
    "Times are those of the stand-in controller on the same wiring and kiln; at most: everything that a scenario \
     waits for comes as late as it may. A controller that fails is often quicker.",
    "Locking out, wiring and proving the bench come before, and are not in these times.",
];

/// The timetable as text, at most `width` columns.
pub fn timetable_text(table: &Timetable, width: usize) -> Text {
    let width = width.clamp(NARROWEST, WIDEST);
    let mut text = Text::default();
    text.push_wrapped(Line::new().with(Style::Faint, "bench  "), Style::Plain, &table.bench, width);
    text.gap();
    let head = ["takes", "at most", "scenario"].map(|cell| (Style::Faint, cell.to_owned()));
    let rows: Vec<[Cell; 3]> = table
        .entries
        .iter()
        .map(|entry| {
            let usual = entry.usual.map_or_else(|| "?".to_owned(), spoken);
            [(Style::Strong, usual), (Style::Plain, spoken(entry.longest)), (Style::Plain, entry.scenario.clone())]
        })
        .collect();
    let columns = widths(std::iter::once(&head[..]).chain(rows.iter().map(|row| &row[..])));
    let mut before = None;
    for (entry, row) in table.entries.iter().zip(&rows) {
        let attended = !entry.attended.is_empty();
        if before != Some(attended) {
            if before.is_some() {
                text.gap();
            }
            let label = if attended { "Somebody has to be there:" } else { "By itself:" };
            text.push_wrapped(Line::new(), Style::Strong, label, width);
            push_row(&mut text, &head, &columns, width);
        }
        before = Some(attended);
        push_row(&mut text, row, &columns, width);
        for what in &entry.attended {
            text.push_wrapped(Line::new().with(Style::Faint, "    "), Style::Faint, what, width);
        }
    }
    for (uncovered, label) in [(true, "Uncovered: the hazard is there and nothing meets it"), (false, "Not applicable")]
    {
        let mut of = table.not_scheduled.iter().filter(|one| one.uncovered == uncovered).peekable();
        if of.peek().is_some() {
            text.gap();
            text.push_wrapped(Line::new(), Style::Strong, label, width);
        }
        for one in of {
            let label = Line::new().with(Style::Plain, "    ");
            text.push_wrapped(label, Style::Plain, &format!("{}: {}", one.scenario, one.reason), width);
        }
    }
    for set in table.sets() {
        text.gap();
        let mut said = format!(
            "{} of {} scenarios, {}, {} at most",
            set.entries.len(),
            table.entries.len(),
            spoken(set.usual),
            spoken(set.longest)
        );
        if set.attended_until > RigSpan::ZERO {
            said.push_str(&format!("; somebody has to be there for the first {}", spoken(set.attended_until)));
        }
        text.push_wrapped(Line::new().with(Style::Strong, format!("{}  ", set.name)), Style::Plain, &said, width);
        if !set.left_out.is_empty() {
            let label = Line::new().with(Style::Faint, "    hazards left out: ");
            text.push_wrapped(label, Style::Plain, &set.left_out.join(", "), width);
        }
        if set.entries.len() < table.entries.len() && !set.entries.is_empty() {
            let label = Line::new().with(Style::Faint, "    files: ");
            text.push_wrapped(label, Style::Plain, &files(table, &set).join(" "), width);
        }
    }
    text.gap();
    for note in NOTES {
        text.push_wrapped(Line::new(), Style::Faint, note, width);
    }
    text
}

/// The files of a set, each once.
fn files<'a>(table: &'a Timetable, set: &TimetableSet) -> Vec<&'a str> {
    let mut files: Vec<&str> = Vec::new();
    for index in &set.entries {
        let file = table.entries[*index].file.as_str();
        if !files.contains(&file) {
            files.push(file);
        }
    }
    files
}

/// A length of time to reckon with: to the minute from ten minutes on, else to the second, rounded up.
fn spoken(span: RigSpan) -> String {
    let seconds = (span.as_micros() + 999_999).div_euclid(1_000_000);
    if seconds < 600 {
        return match (seconds / 60, seconds % 60) {
            (0, seconds) => format!("{seconds} s"),
            (minutes, 0) => format!("{minutes} min"),
            (minutes, seconds) => format!("{minutes} min {seconds:02} s"),
        };
    }
    let minutes = (seconds + 59) / 60;
    match (minutes / 60, minutes % 60) {
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes:02} min"),
    }
}

#[derive(Serialize)]
#[serde(tag = "type", rename_all = "kebab-case")]
enum Record<'a> {
    Timetable {
        format: u32,
        bench: &'a str,
        scenarios: usize,
    },
    Scheduled {
        scenario: &'a str,
        file: &'a str,
        hazards: &'a [String],
        #[serde(skip_serializing_if = "Option::is_none")]
        usual_us: Option<i64>,
        longest_us: i64,
        attended: &'a [String],
    },
    NotScheduled {
        scenario: &'a str,
        hazards: &'a [String],
        standing: &'static str,
        reason: &'a str,
    },
    Set {
        name: &'a str,
        scenarios: Vec<&'a str>,
        files: Vec<&'a str>,
        usual_us: i64,
        longest_us: i64,
        attended_until_us: i64,
        left_out: &'a [String],
    },
}

/// The timetable as JSON lines, as `docs/output.md` says.
pub fn timetable_json(table: &Timetable) -> String {
    let mut lines = line(&Record::Timetable {
        format: FORMAT,
        bench: &table.bench,
        scenarios: table.entries.len() + table.not_scheduled.len(),
    });
    for entry in &table.entries {
        lines.push_str(&line(&Record::Scheduled {
            scenario: &entry.scenario,
            file: &entry.file,
            hazards: &entry.hazards,
            usual_us: entry.usual.map(RigSpan::as_micros),
            longest_us: entry.longest.as_micros(),
            attended: &entry.attended,
        }));
    }
    for one in &table.not_scheduled {
        lines.push_str(&line(&Record::NotScheduled {
            scenario: &one.scenario,
            hazards: &one.hazards,
            standing: if one.uncovered { "uncovered" } else { "not-applicable" },
            reason: &one.reason,
        }));
    }
    for set in table.sets() {
        lines.push_str(&line(&Record::Set {
            name: set.name,
            scenarios: set.entries.iter().map(|index| table.entries[*index].scenario.as_str()).collect(),
            files: files(table, &set),
            usual_us: set.usual.as_micros(),
            longest_us: set.longest.as_micros(),
            attended_until_us: set.attended_until.as_micros(),
            left_out: &set.left_out,
        }));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    #[rstest]
    #[case(0, "0 s")]
    #[case(1, "1 s")]
    #[case(59_000_001, "1 min")]
    #[case(61_000_000, "1 min 01 s")]
    #[case(599_000_000, "9 min 59 s")]
    #[case(600_000_001, "11 min")]
    #[case(3_600_000_000, "1 h")]
    #[case(3_661_000_000, "1 h 02 min")]
    fn times_are_never_told_too_short(#[case] micros: i64, #[case] said: &str) {
        assert_eq!(spoken(RigSpan::from_micros(micros)), said);
    }
}
