//! Long courses as the columns of a plot: no peak, no dip and no edge is lost, however short.

/// An instant, in µs.
type Micros = i64;

/// A stretch of time that is drawn in so many columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Axis {
    pub(super) from: Micros,
    pub(super) until: Micros,
    pub(super) columns: usize,
}

impl Axis {
    /// An axis of at least a millisecond and one column.
    pub(super) fn new(from: Micros, until: Micros, columns: usize) -> Self {
        Axis { from, until: until.max(from.saturating_add(1_000)), columns: columns.max(1) }
    }

    fn width(self) -> i128 {
        i128::from(self.until) - i128::from(self.from)
    }

    /// The column of an instant, the outer ones also of all that lies outside.
    pub(super) fn column(self, at: Micros) -> usize {
        let into = (i128::from(at) - i128::from(self.from)).clamp(0, self.width());
        // The last column holds the end of the axis too.
        usize::try_from(into * self.columns as i128 / self.width()).unwrap_or(0).min(self.columns - 1)
    }

    pub(super) fn holds(self, at: Micros) -> bool {
        (self.from..=self.until).contains(&at)
    }

    /// Where an instant lies, in tenths of a column.
    pub(super) fn tenths(self, at: Micros) -> i64 {
        let into = (i128::from(at) - i128::from(self.from)).clamp(0, self.width());
        (into * self.columns as i128 * 10 / self.width()) as i64
    }
}

/// What one column shows of a level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct LevelColumn {
    pub(super) column: usize,
    pub(super) first: i64,
    pub(super) last: i64,
    pub(super) least: i64,
    pub(super) greatest: i64,
    /// Something was not observed between the value before and the first one here, or within.
    pub(super) after_gap: bool,
}

/// A level, sample by sample in the order of their instants.
#[derive(Debug)]
pub(super) struct LevelCurve {
    axis: Axis,
    columns: Vec<LevelColumn>,
    gap: bool,
    /// The sample before, if nothing was unobserved since.
    before: Option<(Micros, i64)>,
    ended: bool,
}

impl LevelCurve {
    pub(super) fn new(axis: Axis) -> Self {
        LevelCurve { axis, columns: Vec::new(), gap: false, before: None, ended: false }
    }

    /// A sample; `None` where the level was not observed.
    pub(super) fn add(&mut self, at: Micros, value: Option<i64>) {
        let Axis { from, until, columns } = self.axis;
        let before = std::mem::replace(&mut self.before, value.map(|value| (at, value)));
        if self.ended {
            return;
        }
        let Some(value) = value else {
            self.ended = at > until;
            self.gap |= at >= from;
            return;
        };
        if at < from {
            self.gap = false;
            return;
        }
        // A level runs straight from each sample to the next: over the ends of the axis too.
        if let Some(before) = before.filter(|(before, _)| *before < from) {
            self.put(0, between(before, (at, value), from));
        }
        if at <= until {
            self.put(self.axis.column(at), value);
            return;
        }
        self.ended = true;
        if let Some(before) = before.filter(|(before, _)| *before <= until) {
            self.put(columns - 1, between(before, (at, value), until));
        }
    }

    fn put(&mut self, column: usize, value: i64) {
        let after_gap = std::mem::take(&mut self.gap);
        match self.columns.last_mut() {
            Some(last) if last.column == column && !after_gap => {
                last.last = value;
                last.least = last.least.min(value);
                last.greatest = last.greatest.max(value);
            }
            _ => self.columns.push(LevelColumn {
                column,
                first: value,
                last: value,
                least: value,
                greatest: value,
                after_gap,
            }),
        }
    }

    pub(super) fn finish(self) -> Vec<LevelColumn> {
        self.columns
    }
}

/// The value at an instant between two samples, on the straight line between them.
fn between((from, start): (Micros, i64), (until, end): (Micros, i64), at: Micros) -> i64 {
    let [from, start, until, end, at] = [from, start, until, end, at].map(i128::from);
    if until == from {
        return end as i64;
    }
    (start + (end - start) * (at - from) / (until - from)) as i64
}

/// What one or more columns in a row show of a switch.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct SwitchSpan {
    /// The first column.
    pub(super) from: usize,
    /// The last column and one.
    pub(super) until: usize,
    pub(super) state: SwitchState,
}

/// What a switch was in a column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SwitchState {
    Unknown,
    Off,
    On,
    /// It changed in the column: was on and off, or became known.
    Changing,
}

/// A switch by its edges, in the order of their instants. Of a column with an edge that is never
/// lost, however soon the switch went back.
pub(super) fn switch_spans(axis: Axis, edges: &[(Micros, bool)]) -> Vec<SwitchSpan> {
    let state_of = |on: Option<bool>| match on {
        None => SwitchState::Unknown,
        Some(false) => SwitchState::Off,
        Some(true) => SwitchState::On,
    };
    let mut spans: Vec<SwitchSpan> = Vec::new();
    let mut push = |from: usize, until: usize, state: SwitchState| {
        if from >= until {
            return;
        }
        match spans.last_mut() {
            // Two columns with edges stay two, so that their number can still be told.
            Some(last) if last.state == state && state != SwitchState::Changing => last.until = until,
            _ => spans.push(SwitchSpan { from, until, state }),
        }
    };
    let mut known: Option<bool> = None;
    let mut next = 0;
    for &(at, on) in edges {
        if known == Some(on) {
            continue;
        }
        if at <= axis.from || at > axis.until {
            if at > axis.until {
                break;
            }
            known = Some(on);
            continue;
        }
        let column = axis.column(at);
        if column >= next {
            push(next, column, state_of(known));
            push(column, column + 1, SwitchState::Changing);
            next = column + 1;
        }
        known = Some(on);
    }
    push(next, axis.columns, state_of(known));
    spans
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn samples() -> impl Strategy<Value = Vec<(i64, Option<i64>)>> {
        proptest::collection::vec((0_i64..20_000_000, proptest::option::weighted(0.9, -1_000_i64..1_000)), 0..400)
            .prop_map(|mut samples| {
                samples.sort_by_key(|(at, _)| *at);
                samples
            })
    }

    proptest! {
        #[test]
        fn least_and_greatest_of_every_column_are_kept(samples in samples(), columns in 1_usize..80) {
            let axis = Axis::new(0, 20_000_000, columns);
            let mut curve = LevelCurve::new(axis);
            samples.iter().for_each(|(at, value)| curve.add(*at, *value));
            let drawn = curve.finish();
            for column in 0..columns {
                let inside: Vec<i64> = samples
                    .iter()
                    // The definition, in rational numbers: from + column × width ≤ at < from + (column + 1) × width.
                    .filter(|(at, _)| (at * columns as i64 / 20_000_000).min(columns as i64 - 1) == column as i64)
                    .filter_map(|(_, value)| *value)
                    .collect();
                let here: Vec<&LevelColumn> = drawn.iter().filter(|it| it.column == column).collect();
                prop_assert_eq!(here.iter().map(|it| it.least).min(), inside.iter().copied().min());
                prop_assert_eq!(here.iter().map(|it| it.greatest).max(), inside.iter().copied().max());
                prop_assert_eq!(here.first().map(|it| it.first), inside.first().copied());
                prop_assert_eq!(here.last().map(|it| it.last), inside.last().copied());
            }
        }

        #[test]
        fn no_line_is_drawn_over_what_was_not_observed(samples in samples(), columns in 1_usize..80) {
            let mut curve = LevelCurve::new(Axis::new(0, 20_000_000, columns));
            samples.iter().for_each(|(at, value)| curve.add(*at, *value));
            // Every stretch of gaps between two values is one broken line, and nothing else is.
            let first = samples.iter().position(|(_, value)| value.is_some());
            let last = samples.iter().rposition(|(_, value)| value.is_some());
            let gaps = first.zip(last).map_or(0, |(first, last)| {
                samples[first..=last].windows(2).filter(|pair| pair[0].1.is_none() && pair[1].1.is_some()).count()
            });
            let leading = usize::from(first.is_some_and(|first| first > 0));
            prop_assert_eq!(curve.finish().iter().filter(|it| it.after_gap).count(), gaps + leading);
        }

        #[test]
        fn every_column_with_an_edge_says_so_and_no_other(
            mut times in proptest::collection::vec(-5_000_000_i64..25_000_000, 0..300), columns in 1_usize..80,
        ) {
            times.sort_unstable();
            let axis = Axis::new(0, 20_000_000, columns);
            let edges: Vec<(i64, bool)> = times.iter().enumerate().map(|(index, at)| (*at, index % 2 == 1)).collect();
            let spans = switch_spans(axis, &edges);
            let mut next = 0;
            for span in &spans {
                prop_assert_eq!(span.from, next);
                next = span.until;
            }
            prop_assert_eq!(next, columns);
            for column in 0..columns {
                let span = spans.iter().find(|span| (span.from..span.until).contains(&column)).expect("covered");
                let has_edge = times.iter().any(|at| *at > 0 && *at <= 20_000_000 && axis.column(*at) == column);
                prop_assert_eq!(span.state == SwitchState::Changing, has_edge);
                if !has_edge {
                    // The state that the last edge before the column left.
                    let begin = column as i64 * 20_000_000 / columns as i64;
                    let before = edges.iter().rfind(|(at, _)| *at <= begin).map(|(_, on)| *on);
                    let state = match before {
                        None => SwitchState::Unknown,
                        Some(true) => SwitchState::On,
                        Some(false) => SwitchState::Off,
                    };
                    prop_assert_eq!(span.state, state);
                }
            }
        }
    }

    #[test]
    fn a_pulse_of_a_millisecond_in_a_day_is_one_column() {
        let axis = Axis::new(0, 86_400_000_000, 720);
        let spans = switch_spans(axis, &[(0, false), (43_200_000_500, true), (43_200_001_500, false)]);
        let states: Vec<(usize, usize, SwitchState)> = spans.iter().map(|it| (it.from, it.until, it.state)).collect();
        assert_eq!(
            states,
            [(0, 360, SwitchState::Off), (360, 361, SwitchState::Changing), (361, 720, SwitchState::Off)]
        );
    }

    #[test]
    fn a_line_comes_from_before_the_axis_and_leads_out_of_it() {
        let mut curve = LevelCurve::new(Axis::new(10, 1_010, 10));
        [(0, 5), (500, 7), (2_000, 9)].into_iter().for_each(|(at, value)| curve.add(at, Some(value)));
        let columns: Vec<(usize, i64)> = curve.finish().iter().map(|it| (it.column, it.last)).collect();
        // Values by hand: 5 + 2 × 10 / 500 and 7 + 2 × 510 / 1500, cut.
        assert_eq!(columns, [(0, 5), (4, 7), (9, 7)]);
    }
}
