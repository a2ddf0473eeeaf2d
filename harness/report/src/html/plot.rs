//! One course as a drawing: temperatures, what was allowed and what came, and the relays below.

use std::fmt::Write as _;

use dryfire_judge::Margin;
use dryfire_units::RigSpan;

use super::markup::Html;
use super::path::{Point, line, row, tenth};
use super::reduce::{Axis, LevelColumn, SwitchSpan, SwitchState};
use crate::value;

/// Left of the plot: names of lanes, degrees.
const LEFT: i64 = 116;
/// The plot itself; a column for each unit.
pub(super) const COLUMNS: usize = 520;
/// Right of it: names of curves.
const RIGHT: i64 = 124;
const WIDTH: i64 = LEFT + COLUMNS as i64 + RIGHT;
/// Numbers of what happened.
const HEAD: i64 = 22;
const LEVELS: i64 = 190;
const LANE: i64 = 17;
/// A window with its words and the arrow.
const WINDOW: i64 = 42;
/// Labels of the time axis.
const FOOT: i64 = 34;
/// Between two lines of small text.
const SMALL: i64 = 13;
/// Characters of a lane's name.
pub(super) const MOST_LANE_LETTERS: usize = 20;
/// Characters of small text that fit beside the plot's left edge.
const MOST_LETTERS: usize = 104;

/// One temperature.
#[derive(Clone, Debug)]
pub(super) struct Curve {
    pub(super) name: String,
    /// Which pattern of dashes.
    pub(super) look: usize,
    pub(super) columns: Vec<LevelColumn>,
}

/// A temperature that something is compared with.
#[derive(Clone, Debug)]
pub(super) struct Limit {
    pub(super) words: String,
    pub(super) value: i64,
    /// Where it counts, in µs.
    pub(super) from: i64,
    pub(super) until: i64,
}

/// A relay, a contact, the supply.
#[derive(Clone, Debug)]
pub(super) struct Lane {
    pub(super) name: String,
    pub(super) spans: Vec<SwitchSpan>,
}

/// Something that happened, by its number in the list below the plot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mark {
    pub(super) at: i64,
    pub(super) number: usize,
}

/// How much time there was, and what of it was taken.
#[derive(Clone, Debug)]
pub(super) struct Window {
    pub(super) words: String,
    pub(super) from: i64,
    pub(super) until: i64,
    pub(super) reaction: Option<(i64, String)>,
}

/// Everything that is drawn.
#[derive(Clone, Debug)]
pub(super) struct Plot {
    /// Unique in the page.
    pub(super) id: String,
    pub(super) title: String,
    /// What the drawing shows, in words.
    pub(super) words: String,
    pub(super) axis: Axis,
    /// The instant that the time axis counts from, and what it is.
    pub(super) zero: i64,
    pub(super) zero_words: String,
    pub(super) curves: Vec<Curve>,
    pub(super) limits: Vec<Limit>,
    pub(super) lanes: Vec<Lane>,
    pub(super) marks: Vec<Mark>,
    /// Drawn as rows with arrows.
    pub(super) windows: Vec<Window>,
    /// Only shaded.
    pub(super) shades: Vec<(i64, i64)>,
}

/// Degrees on the vertical axis, in thousandths.
#[derive(Clone, Copy, Debug)]
struct Scale {
    least: i64,
    greatest: i64,
}

impl Scale {
    fn of(plot: &Plot) -> Option<Scale> {
        let seen = plot.curves.iter().flat_map(|curve| &curve.columns).flat_map(|it| [it.least, it.greatest]);
        let shown = seen.chain(plot.limits.iter().map(|limit| limit.value));
        let (least, greatest) = shown.fold(None, |range: Option<(i64, i64)>, value| {
            Some(range.map_or((value, value), |(least, greatest)| (least.min(value), greatest.max(value))))
        })?;
        let room = ((greatest - least) / 16).max(1_000);
        Some(Scale { least: least.saturating_sub(room), greatest: greatest.saturating_add(room) })
    }

    /// Tenths of a unit from the top of the drawing.
    fn tenths(self, value: i64) -> i64 {
        let height = i128::from(LEVELS) * 10;
        let above = i128::from(self.greatest) - i128::from(value);
        HEAD * 10 + (above * height / (i128::from(self.greatest) - i128::from(self.least))) as i64
    }
}

/// Steps that people count in: 1, 2 and 5 with zeros.
fn degrees_step(range: i64) -> i64 {
    let mut step = 100;
    loop {
        for factor in [1, 2, 5] {
            if range / (step * factor) <= 6 {
                return step * factor;
            }
        }
        step *= 10;
    }
}

/// Steps of time that people count in, in ms.
const TIME_STEPS: [i64; 26] = [
    1, 2, 5, 10, 20, 50, 100, 200, 500, 1_000, 2_000, 5_000, 10_000, 15_000, 30_000, 60_000, 120_000, 300_000, 600_000,
    1_200_000, 1_800_000, 3_600_000, 7_200_000, 10_800_000, 21_600_000, 43_200_000,
];

fn time_step(width: i64) -> i64 {
    let steps = TIME_STEPS.into_iter().map(|millis| millis * 1_000);
    steps.into_iter().find(|step| width / step <= 8).unwrap_or_else(|| (width / 8).max(1))
}

/// `0`, `2 s`, `1 min 30 s`, `2 h`: without zeros that tell nothing.
fn time_words(micros: i64) -> String {
    let sign = if micros < 0 { "−" } else { "" };
    let millis = micros.unsigned_abs() / 1_000;
    let (hours, minutes, seconds, rest) =
        (millis / 3_600_000, millis / 60_000 % 60, millis / 1_000 % 60, millis % 1_000);
    let mut parts = Vec::new();
    if hours > 0 {
        parts.push(format!("{hours} h"));
    }
    if minutes > 0 {
        parts.push(format!("{minutes} min"));
    }
    if rest > 0 {
        let fraction = format!("{rest:03}");
        parts.push(format!("{seconds}.{} s", fraction.trim_end_matches('0')));
    } else if seconds > 0 {
        parts.push(format!("{seconds} s"));
    }
    if parts.is_empty() {
        return "0".to_owned();
    }
    format!("{sign}{}", parts.join(" "))
}

impl Plot {
    fn x(&self, at: i64) -> i64 {
        LEFT * 10 + self.axis.tenths(at)
    }

    fn lanes_top(&self) -> i64 {
        HEAD + LEVELS + 8 + self.windows.len() as i64 * WINDOW
    }

    fn bottom(&self) -> i64 {
        self.lanes_top() + self.lanes.len() as i64 * LANE
    }

    /// The drawing. Everything in it is numbers, and texts that are escaped.
    pub(super) fn svg(&self) -> Html {
        let height = (self.bottom() + FOOT).to_string();
        let (title, words) = (format!("{}-title", self.id), format!("{}-words", self.id));
        let mut html = Html::new();
        html.open(
            "svg",
            &[
                ("viewBox", &format!("0 0 {WIDTH} {height}")),
                ("role", "img"),
                ("aria-labelledby", &format!("{title} {words}")),
            ],
        );
        html.element("title", &[("id", &title)], &self.title);
        html.element("desc", &[("id", &words)], &self.words);
        self.grid(&mut html);
        self.shading(&mut html);
        match Scale::of(self) {
            Some(scale) => self.levels(&mut html, scale),
            None => {
                let at = [("x", (LEFT + 10).to_string()), ("y", (HEAD + 20).to_string())];
                html.element("text", &[("x", &at[0].1), ("y", &at[1].1)], "no temperature was observed");
            }
        }
        self.windows(&mut html);
        self.lanes(&mut html);
        self.marks(&mut html);
        html.close("svg").raw("\n");
        html
    }

    fn grid(&self, html: &mut Html) {
        let bottom = self.bottom();
        let step = time_step(self.axis.until - self.axis.from);
        let first = (self.axis.from - self.zero).div_euclid(step) * step;
        let mut path = String::new();
        let mut labels = Html::new();
        let mut tick = first;
        let mut last_label = i64::MIN;
        while tick <= self.axis.until - self.zero {
            let at = self.zero + tick;
            if self.axis.holds(at) {
                let x = self.x(at);
                let _ = write!(path, "M{} {HEAD}V{}", tenth(x), bottom + 4);
                let words = time_words(tick);
                // As wide as small digits are.
                let half = words.chars().count() as i64 * 33;
                if x - half > last_label {
                    last_label = x + half + 60;
                    labels.element(
                        "text",
                        &[("x", &tenth(x)), ("y", &(bottom + 17).to_string()), ("class", "t m")],
                        &words,
                    );
                }
            }
            tick += step;
        }
        html.open("path", &[("class", "g"), ("d", &path)]).close("path");
        html.append(&labels);
        let middle = (LEFT + COLUMNS as i64 / 2).to_string();
        html.element("text", &[("x", &middle), ("y", &(bottom + 30).to_string()), ("class", "t m")], &self.zero_words);
    }

    fn shading(&self, html: &mut Html) {
        let windows = self.windows.iter().map(|window| (window.from, window.until));
        for (from, until) in windows.chain(self.shades.iter().copied()) {
            let (x, end) = (self.x(from), self.x(until));
            html.open(
                "rect",
                &[
                    ("class", "w"),
                    ("x", &tenth(x)),
                    ("y", &HEAD.to_string()),
                    // A window narrower than a column is still seen.
                    ("width", &tenth((end - x).max(10))),
                    ("height", &(self.bottom() - HEAD).to_string()),
                ],
            )
            .close("rect");
        }
    }

    fn levels(&self, html: &mut Html, scale: Scale) {
        let step = degrees_step(scale.greatest - scale.least);
        let mut tick = scale.least.div_euclid(step) * step + step;
        let mut path = String::new();
        while tick <= scale.greatest {
            let y = scale.tenths(tick);
            let _ = write!(path, "M{LEFT} {}h{COLUMNS}", tenth(y));
            let words = if step % 1_000 == 0 {
                format!("{} °C", tick / 1_000)
            } else {
                format!("{}.{} °C", tick / 1_000, (tick / 100).rem_euclid(10))
            };
            html.element("text", &[("x", &(LEFT - 6).to_string()), ("y", &tenth(y + 40)), ("class", "t e")], &words);
            tick += step;
        }
        html.open("path", &[("class", "g"), ("d", &path)]).close("path");
        html.open("path", &[("class", "f"), ("d", &format!("M{LEFT} {HEAD}h{COLUMNS}v{LEVELS}h-{COLUMNS}z"))])
            .close("path");
        let mut taken: Vec<(i64, i64)> = Vec::new();
        for limit in &self.limits {
            let (x, end, y) = (self.x(limit.from), self.x(limit.until), scale.tenths(limit.value));
            let d = format!("M{} {}H{}", tenth(x), tenth(y), tenth(end.max(x + 10)));
            html.open("path", &[("class", "l"), ("d", &d)]).close("path");
            // Above the line, or below it where another stands there already.
            let places = [y - 40, y + 110, y - 160, y + 230];
            let width = limit.words.chars().count() as i64 * 60;
            let at = x.min((LEFT + COLUMNS as i64) * 10 - width).max(LEFT * 10 + 40);
            let free = |place: &i64| {
                taken.iter().all(|(left, other)| (place - other).abs() >= 120 || (left - at).abs() > width)
                    && *place > HEAD * 10 + 80
            };
            let place = places.into_iter().find(free).unwrap_or(y - 40);
            taken.push((at, place));
            html.element("text", &[("x", &tenth(at)), ("y", &tenth(place)), ("class", "t h b")], &limit.words);
        }
        let mut names: Vec<(i64, &Curve)> = Vec::new();
        // The hottest zone and the hottest probe come first, and are drawn over the others.
        for curve in self.curves.iter().rev() {
            let class = format!("c c{}", curve.look);
            html.open("path", &[("class", &class), ("d", &curve_path(curve, scale))]).close("path");
            if let Some(last) = curve.columns.last() {
                names.push((scale.tenths(last.last), curve));
            }
        }
        self.names(html, names);
    }

    /// Names right of the plot, none over another, each with its pattern.
    fn names(&self, html: &mut Html, mut names: Vec<(i64, &Curve)>) {
        names.sort_by_key(|(y, curve)| (*y, curve.look));
        let lowest = (HEAD + LEVELS) * 10;
        let mut places: Vec<i64> = names.iter().map(|(y, _)| *y).collect();
        for index in 1..places.len() {
            places[index] = places[index].max(places[index - 1] + SMALL * 10);
        }
        let mut most = lowest;
        for place in places.iter_mut().rev() {
            *place = (*place).min(most);
            most = *place - SMALL * 10;
        }
        let left = LEFT + COLUMNS as i64;
        for (place, (_, curve)) in places.into_iter().zip(names) {
            let class = format!("c c{}", curve.look);
            let d = format!("M{} {}h22", left + 4, tenth(place));
            html.open("path", &[("class", &class), ("d", &d)]).close("path");
            let words = shortened(&curve.name, 15);
            html.element("text", &[("x", &(left + 30).to_string()), ("y", &tenth(place + 40)), ("class", "t")], &words);
        }
    }

    fn windows(&self, html: &mut Html) {
        for (index, window) in self.windows.iter().enumerate() {
            let top = HEAD + LEVELS + 8 + index as i64 * WINDOW;
            let (from, until) = (self.x(window.from), self.x(window.until));
            let words = shortened(&window.words, MOST_LETTERS);
            html.element("text", &[("x", &LEFT.to_string()), ("y", &(top + 12).to_string()), ("class", "t h")], &words);
            let middle = top + 23;
            let d = format!(
                "M{x} {y}v10M{end} {y}v10M{x} {middle}H{end}",
                x = tenth(from),
                end = tenth(until),
                y = middle - 5
            );
            html.open("path", &[("class", "a"), ("d", &d)]).close("path");
            if let Some((at, words)) = &window.reaction {
                let tip = self.x(*at);
                let length = (tip - from).max(0);
                let head = length.min(70);
                let d = format!(
                    "M{x} {middle}H{neck}M{tip} {middle}l-{back} -4v8z",
                    x = tenth(from),
                    neck = tenth(tip - head),
                    tip = tenth(tip),
                    back = tenth(head.max(20)),
                );
                html.open("path", &[("class", "r"), ("d", &d)]).close("path");
                // Beside the tip where there is room.
                let (x, class) =
                    if tip < (LEFT + COLUMNS as i64 - 90) * 10 { (tip + 50, "t h b") } else { (tip - 120, "t h b e") };
                html.element("text", &[("x", &tenth(x)), ("y", &(middle + 14).to_string()), ("class", class)], words);
            }
        }
    }

    fn lanes(&self, html: &mut Html) {
        for (index, lane) in self.lanes.iter().enumerate() {
            let top = self.lanes_top() + index as i64 * LANE;
            let name = shortened(&lane.name, MOST_LANE_LETTERS);
            html.element(
                "text",
                &[("x", &(LEFT - 6).to_string()), ("y", &(top + 12).to_string()), ("class", "t e")],
                &name,
            );
            let base = top + LANE - 3;
            // Bars are strokes as thick as the style says, around the middle of the lane.
            let middle = base * 10 - 55;
            for (class, state, y) in [
                ("o", SwitchState::Off, base * 10),
                ("u", SwitchState::Unknown, middle),
                ("s", SwitchState::On, middle),
                ("k", SwitchState::Changing, middle),
            ] {
                let spans = lane.spans.iter().filter(|span| span.state == state);
                let d = row(y, spans.map(|span| (LEFT + span.from as i64, (span.until - span.from) as i64)));
                if !d.is_empty() {
                    html.open("path", &[("class", class), ("d", &d)]).close("path");
                }
            }
        }
    }

    /// Numbers at the top; those that would stand over each other share a sign.
    fn marks(&self, html: &mut Html) {
        let mut groups: Vec<(i64, usize, usize)> = Vec::new();
        let mut path = String::new();
        for mark in self.marks.iter().filter(|mark| self.axis.holds(mark.at)) {
            let x = self.x(mark.at);
            let _ = write!(path, "M{} {HEAD}V{}", tenth(x), self.bottom());
            match groups.last_mut().filter(|(first, ..)| x - *first < 240) {
                Some((_, _, last)) => *last = mark.number,
                None => groups.push((x, mark.number, mark.number)),
            }
        }
        if path.is_empty() {
            return;
        }
        html.open("path", &[("class", "x"), ("d", &path)]).close("path");
        for (x, first, last) in groups {
            let words = if first == last { first.to_string() } else { format!("{first}–{last}") };
            let width = words.chars().count() as i64 * 7 + 9;
            // The first one's line ends at the sign.
            let left = x - width.min(16) * 5;
            html.open(
                "rect",
                &[
                    ("class", "n"),
                    ("x", &tenth(left)),
                    ("y", "3"),
                    ("rx", "8"),
                    ("width", &width.to_string()),
                    ("height", "16"),
                ],
            )
            .close("rect");
            html.element("text", &[("x", &tenth(left + width * 5)), ("y", "15"), ("class", "t m b")], &words);
        }
    }
}

/// The first letters of a text.
pub(super) fn shortened(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(most - 1).collect();
    short.push('…');
    short
}

/// Every column's first, least, greatest and last value; broken where something was not observed.
fn curve_path(curve: &Curve, scale: Scale) -> String {
    let mut strokes: Vec<Vec<Point>> = Vec::new();
    for column in &curve.columns {
        let x = LEFT * 10 + column.column as i64 * 10 + 5;
        if column.after_gap || strokes.is_empty() {
            strokes.push(Vec::new());
        }
        let Some(stroke) = strokes.last_mut() else { continue };
        let rising = column.last >= column.first;
        let (one, other) = if rising { (column.least, column.greatest) } else { (column.greatest, column.least) };
        stroke.extend([column.first, one, other, column.last].map(|value| (x, scale.tenths(value))));
    }
    let mut path = String::new();
    strokes.iter().for_each(|stroke| line(&mut path, stroke));
    path
}

/// A time for a label.
pub(super) fn span_words(micros: i64) -> String {
    value(Margin::Time(RigSpan::from_micros(micros)))
}

#[cfg(test)]
mod tests {
    use super::super::path::drawn;
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case(0, "0")]
    #[case(-2_000_000, "−2 s")]
    #[case(90_000_000, "1 min 30 s")]
    #[case(7_200_000_000, "2 h")]
    #[case(250_000, "0.25 s")]
    fn ticks_are_short(#[case] micros: i64, #[case] words: &str) {
        assert_eq!(time_words(micros), words);
    }

    proptest! {
        #[test]
        fn the_extremes_of_every_column_are_in_the_path(values in proptest::collection::vec(-50_000_i64..1_300_000, 1..50)) {
            let columns = values.windows(2).enumerate().map(|(column, pair)| LevelColumn {
                column, first: pair[0], last: pair[1], least: pair[0].min(pair[1]), greatest: pair[0].max(pair[1]),
                after_gap: true,
            });
            let curve = Curve { name: String::new(), look: 0, columns: columns.collect() };
            let scale = Scale { least: -100_000, greatest: 1_400_000 };
            let strokes = drawn(&curve_path(&curve, scale));
            prop_assert_eq!(strokes.len(), curve.columns.len());
            for (stroke, column) in strokes.iter().zip(&curve.columns) {
                let x = LEFT * 10 + column.column as i64 * 10 + 5;
                prop_assert_eq!(stroke[0], (x, scale.tenths(column.first)));
                let ends = [stroke.iter().map(|it| it.1).min(), stroke.iter().map(|it| it.1).max()];
                // Greater values are higher up; a tenth of a unit is not seen.
                for (end, value) in ends.into_iter().flatten().zip([column.greatest, column.least]) {
                    prop_assert!((end - scale.tenths(value)).abs() <= 1, "{:?}: {:?}", column, stroke);
                }
            }
        }
    }
}
