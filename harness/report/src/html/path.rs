//! Lines of a drawing as SVG writes them, in as few characters as show the same.

use std::fmt::Write as _;

/// A point in tenths of a unit of the drawing.
pub(super) type Point = (i64, i64);

/// How far a drawn line may be from what it stands for, in tenths of a unit: too little to be seen.
const NEAR: i64 = 1;

/// A number of tenths as SVG writes it.
pub(super) fn tenth(tenths: i64) -> String {
    let (whole, rest) = (tenths / 10, (tenths % 10).abs());
    let sign = if tenths < 0 && whole == 0 { "-" } else { "" };
    match (whole, rest) {
        (0, 1..) => format!("{sign}.{rest}"),
        (whole, 0) => format!("{sign}{whole}"),
        (whole, rest) => format!("{sign}{whole}.{rest}"),
    }
}

/// A line through points from left to right: from the first one on relative, and without those that lie on it.
pub(super) fn line(path: &mut String, points: &[Point]) {
    let kept = thinned(points);
    let Some((first, others)) = kept.split_first() else { return };
    // Writing to a string does not fail.
    let _ = write!(path, "M{} {}", tenth(first.0), tenth(first.1));
    if others.is_empty() {
        path.push_str("h1");
    }
    let (mut before, mut letter) = (*first, 'M');
    for point in others {
        let (x, y) = (point.0 - before.0, point.1 - before.1);
        let (next, numbers) = match (x, y) {
            (_, 0) => ('h', [Some(x), None]),
            (0, _) => ('v', [Some(y), None]),
            _ => ('l', [Some(x), Some(y)]),
        };
        // A letter goes on to count for the numbers that follow, and a minus sign parts two numbers.
        let mut parted = letter != next;
        if parted {
            path.push(next);
        }
        for number in numbers.into_iter().flatten() {
            if !parted && number >= 0 {
                path.push(' ');
            }
            path.push_str(&tenth(number));
            parted = false;
        }
        (before, letter) = (*point, next);
    }
}

/// Stretches in one row, from left to right: where each begins and how wide it is, in whole units.
pub(super) fn row(y: i64, stretches: impl IntoIterator<Item = (i64, i64)>) -> String {
    let mut path = String::new();
    let mut reached: Option<i64> = None;
    let mut width = 0;
    for (from, wide) in stretches {
        match reached {
            // One that goes on where the one before ended is a part of it.
            Some(end) if end == from => width += wide,
            Some(end) => {
                let _ = write!(path, "h{width}m{} 0", from - end);
                width = wide;
            }
            None => {
                let _ = write!(path, "M{from} {}", tenth(y));
                width = wide;
            }
        }
        reached = Some(from + wide);
    }
    if width > 0 {
        let _ = write!(path, "h{width}");
    }
    path
}

/// The points that a line has to go through so that it passes all of them at most a tenth of a unit
/// above or below. The first and the last are kept, and every peak that can be seen.
fn thinned(points: &[Point]) -> Vec<Point> {
    let Some((first, others)) = points.split_first() else { return Vec::new() };
    let mut kept = vec![*first];
    let mut before = *first;
    let mut sight = Sight::new(*first);
    for point in others {
        if !sight.reaches(*point) {
            kept.push(before);
            sight = Sight::new(before);
        }
        sight.pass(*point);
        before = *point;
    }
    if before != *first || kept.len() > 1 {
        kept.push(before);
    }
    kept.dedup();
    kept
}

/// Where a straight line from a point may lead so that it is near to everything passed on the way.
struct Sight {
    from: Point,
    /// Least and greatest of what lies right above and below the point.
    column: (i64, i64),
    /// Rise and width of the flattest and of the steepest line.
    lowest: Option<(i64, i64)>,
    highest: Option<(i64, i64)>,
}

impl Sight {
    fn new(from: Point) -> Self {
        Sight { from, column: (0, 0), lowest: None, highest: None }
    }

    fn reaches(&self, point: Point) -> bool {
        let (x, y) = (point.0 - self.from.0, point.1 - self.from.1);
        if x == 0 {
            return self.column.0 >= y.min(0) - NEAR && self.column.1 <= y.max(0) + NEAR;
        }
        self.column.0 >= -NEAR
            && self.column.1 <= NEAR
            && self.lowest.is_none_or(|(rise, width)| y * width >= rise * x)
            && self.highest.is_none_or(|(rise, width)| y * width <= rise * x)
    }

    fn pass(&mut self, point: Point) {
        let (x, y) = (point.0 - self.from.0, point.1 - self.from.1);
        if x == 0 {
            self.column = (self.column.0.min(y), self.column.1.max(y));
            return;
        }
        let (low, high) = (y - NEAR, y + NEAR);
        if self.lowest.is_none_or(|(rise, width)| low * width > rise * x) {
            self.lowest = Some((low, x));
        }
        if self.highest.is_none_or(|(rise, width)| high * width < rise * x) {
            self.highest = Some((high, x));
        }
    }
}

/// The points of a path of ours, in tenths, stroke by stroke.
#[cfg(test)]
pub(super) fn drawn(path: &str) -> Vec<Vec<Point>> {
    let mut strokes: Vec<Vec<Point>> = Vec::new();
    let (mut at, mut letter, mut numbers) = ((0, 0), ' ', Vec::new());
    let mut rest = path;
    while let Some(next) = rest.chars().next() {
        if next.is_ascii_alphabetic() {
            letter = next;
            rest = &rest[1..];
            continue;
        }
        rest = rest.trim_start_matches(' ');
        let digits = |it: char| it.is_ascii_digit() || it == '.';
        let end = 1 + rest[1..].find(|it: char| !digits(it)).unwrap_or(rest.len() - 1);
        let number: f64 = rest[..end].parse().expect("a number");
        numbers.push((number * 10.0).round() as i64);
        rest = &rest[end..];
        let wanted = if matches!(letter, 'h' | 'v') { 1 } else { 2 };
        if numbers.len() < wanted {
            continue;
        }
        at = match letter {
            'M' => (numbers[0], numbers[1]),
            'h' => (at.0 + numbers[0], at.1),
            'v' => (at.0, at.1 + numbers[0]),
            _ => (at.0 + numbers[0], at.1 + numbers[1]),
        };
        numbers.clear();
        if matches!(letter, 'M' | 'm') {
            strokes.push(Vec::new());
        }
        strokes.last_mut().expect("it begins with M").push(at);
    }
    strokes
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rstest::rstest;

    #[rstest]
    #[case(0, "0")]
    #[case(-4, "-.4")]
    #[case(-14, "-1.4")]
    #[case(120, "12")]
    #[case(7, ".7")]
    fn tenths_are_numbers_of_svg(#[case] tenths: i64, #[case] number: &str) {
        assert_eq!(tenth(tenths), number);
    }

    #[rstest]
    #[case::a_point(&[(15, 20)], "M1.5 2h1")]
    #[case::a_level_then_a_step(&[(0, 0), (10, 0), (20, 0), (20, 35)], "M0 0h2v3.5")]
    #[case::slopes(&[(0, 0), (10, 33), (20, 0), (30, 44)], "M0 0l1 3.3 1-3.3 1 4.4")]
    #[case::there_and_back_in_one_column(&[(0, 0), (0, 500), (0, 20)], "M0 0v50-48")]
    fn lines_are_written_short(#[case] points: &[Point], #[case] written: &str) {
        let mut path = String::new();
        line(&mut path, points);
        assert_eq!(path, written);
    }

    #[rstest]
    #[case(&[], "")]
    #[case(&[(3, 1)], "M3 8.5h1")]
    #[case(&[(3, 1), (4, 2), (9, 1)], "M3 8.5h3m3 0h1")]
    fn a_row_joins_what_touches(#[case] stretches: &[(i64, i64)], #[case] written: &str) {
        assert_eq!(row(85, stretches.iter().copied()), written);
    }

    /// Whether a line passes a point at most as far above or below as is near.
    fn passes(line: &[Point], (x, y): Point) -> bool {
        line.windows(2).any(|pair| {
            let ((from, start), (until, end)) = (pair[0], pair[1]);
            if from == until {
                return x == from && (start.min(end) - NEAR..=start.max(end) + NEAR).contains(&y);
            }
            // The line's height there, times its width.
            let height = start * (until - from) + (end - start) * (x - from);
            (from..=until).contains(&x) && (height - y * (until - from)).abs() <= NEAR * (until - from)
        })
    }

    proptest! {
        #[test]
        fn what_is_left_out_lies_on_the_line(
            steps in proptest::collection::vec((0_i64..3, prop_oneof![-2_i64..3, -900_i64..900]), 1..80),
        ) {
            let mut all = vec![(5, 0)];
            for (x, y) in steps {
                let last = all[all.len() - 1];
                all.push((last.0 + x * 10, last.1 + y));
            }
            let mut path = String::new();
            line(&mut path, &all);
            let strokes = drawn(&path);
            let [stroke] = &strokes[..] else { panic!("one stroke: {path}") };
            prop_assert_eq!(stroke[0], all[0]);
            for point in &all {
                prop_assert!(passes(stroke, *point) || all.iter().all(|it| it == point), "{:?}: {}", point, path);
            }
            for point in stroke {
                prop_assert!(all.contains(point) || all.iter().all(|it| *it == all[0]), "{:?}", point);
            }
        }

        #[test]
        fn a_row_shows_every_stretch(gaps in proptest::collection::vec((0_i64..5, 1_i64..5), 0..40)) {
            let mut at = 0;
            let mut shown = Vec::new();
            for (gap, wide) in gaps {
                shown.push((at + gap, wide));
                at += gap + wide;
            }
            let covered: Vec<i64> = shown.iter().flat_map(|(from, wide)| *from..from + wide).collect();
            let strokes = drawn(&row(0, shown));
            let seen: Vec<i64> = strokes.iter().flat_map(|it| it[0].0 / 10..it[it.len() - 1].0 / 10).collect();
            prop_assert_eq!(seen, covered);
        }
    }
}
