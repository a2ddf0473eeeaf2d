//! Heat-work: which pyrometric cone a firing would have bent.
//!
//! Cones measure time and temperature together. Quickly fired, they bend at a
//! higher temperature; what counts is the rate over the last 100 °C. The table
//! has two rates, and between them a straight line is drawn. A plausibility
//! value for people who know cones, and nothing to judge a controller by:
//! charts differ by some twenty degrees with the kind of cone and the year.
//!
//! Common practice: large self-supporting cones in air, from a copy of a
//! vendor's table in °F at 108 °F/h and 270 °F/h, and from memory for the
//! rule of the last 100 °C; degrees Celsius are (F − 32)/1.8, rounded.

use dryfire_units::{MilliCelsius, RigSpan, RigTime};

/// A cone and the temperatures (°C) at which it bends when heated by 60 °C/h and by 150 °C/h.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cone {
    /// Its number, as potters write it: `06` is cooler than `6`.
    pub number: &'static str,
    at_60: i64,
    at_150: i64,
}

/// The rates of the table's columns, thousandths of a degree for each hour.
const SLOW: i64 = 60_000;
const QUICK: i64 = 150_000;

/// A rate so close outside a column counts as that column's: half a degree or so of the cone.
const NEAR_COLUMN: i64 = 3_000;

/// The cones, from the coolest up.
#[rustfmt::skip]
const CONES: [Cone; 32] = [
    Cone { number: "022", at_60: 586, at_150: 590 },
    Cone { number: "021", at_60: 600, at_150: 617 },
    Cone { number: "020", at_60: 626, at_150: 638 },
    Cone { number: "019", at_60: 678, at_150: 695 },
    Cone { number: "018", at_60: 715, at_150: 734 },
    Cone { number: "017", at_60: 738, at_150: 763 },
    Cone { number: "016", at_60: 772, at_150: 796 },
    Cone { number: "015", at_60: 791, at_150: 818 },
    Cone { number: "014", at_60: 807, at_150: 838 },
    Cone { number: "013", at_60: 837, at_150: 861 },
    Cone { number: "012", at_60: 861, at_150: 882 },
    Cone { number: "011", at_60: 875, at_150: 894 },
    Cone { number: "010", at_60: 903, at_150: 915 },
    Cone { number: "09", at_60: 920, at_150: 930 },
    Cone { number: "08", at_60: 942, at_150: 956 },
    Cone { number: "07", at_60: 976, at_150: 987 },
    Cone { number: "06", at_60: 998, at_150: 1013 },
    Cone { number: "05", at_60: 1031, at_150: 1044 },
    Cone { number: "04", at_60: 1063, at_150: 1077 },
    Cone { number: "03", at_60: 1086, at_150: 1104 },
    Cone { number: "02", at_60: 1102, at_150: 1122 },
    Cone { number: "01", at_60: 1119, at_150: 1138 },
    Cone { number: "1", at_60: 1137, at_150: 1154 },
    Cone { number: "2", at_60: 1142, at_150: 1164 },
    Cone { number: "3", at_60: 1152, at_150: 1170 },
    Cone { number: "4", at_60: 1162, at_150: 1183 },
    Cone { number: "5", at_60: 1186, at_150: 1207 },
    Cone { number: "6", at_60: 1222, at_150: 1243 },
    Cone { number: "7", at_60: 1239, at_150: 1257 },
    Cone { number: "8", at_60: 1249, at_150: 1271 },
    Cone { number: "9", at_60: 1260, at_150: 1280 },
    Cone { number: "10", at_60: 1285, at_150: 1305 },
];

impl Cone {
    /// The temperature at which it bends at a rate between those of the table.
    fn bends_at(&self, millicelsius_per_hour: i64) -> MilliCelsius {
        let beyond = (self.at_150 - self.at_60) * 1_000 * (millicelsius_per_hour - SLOW) / (QUICK - SLOW);
        MilliCelsius::new(self.at_60 * 1_000 + beyond)
    }
}

/// What a firing did to cones, as far as the table says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeatWork {
    /// This cone would have bent.
    Bent {
        /// The hottest of those that would have.
        cone: Cone,
        /// Where it bends at this rate.
        bends_at: MilliCelsius,
        /// The next hotter one, which would not have, and where it bends; `None` past the table's end.
        next: Option<(Cone, MilliCelsius)>,
    },
    /// Not even the coolest cone of the table would have bent.
    TooCool,
    /// The rate lies outside the table's 60 °C/h to 150 °C/h.
    RateOutside,
}

/// The hottest part of a firing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Peak {
    /// The highest temperature.
    pub temperature: MilliCelsius,
    /// The rate over the last 100 °C up to it, thousandths of a degree for each hour;
    /// `None` if the climb was shorter.
    pub millicelsius_per_hour: Option<i64>,
}

impl Peak {
    /// Which cone it would have bent; `None` without a rate.
    ///
    /// Time spent at the top is not counted, so after a long hold the true
    /// heat-work is that of a hotter cone.
    pub fn heat_work(&self) -> Option<HeatWork> {
        let rate = self.millicelsius_per_hour?;
        if !(SLOW - NEAR_COLUMN..=QUICK + NEAR_COLUMN).contains(&rate) {
            return Some(HeatWork::RateOutside);
        }
        let rate = rate.clamp(SLOW, QUICK);
        let bent = CONES.iter().rposition(|cone| cone.bends_at(rate) <= self.temperature);
        let Some(index) = bent else { return Some(HeatWork::TooCool) };
        let next = CONES.get(index + 1).map(|cone| (*cone, cone.bends_at(rate)));
        Some(HeatWork::Bent { cone: CONES[index], bends_at: CONES[index].bends_at(rate), next })
    }
}

/// Whole degrees that a temperature may fall back before a climb counts as over.
const FALL_BACK: usize = 50;
/// Degrees over which the rate counts.
const LAST: i64 = 100;
/// So close below the peak a climb counts as done: a controller's hold goes up and down by as much.
const NEAR: i64 = 2;
/// Thousandths of a degree between which temperatures are noted.
const LEAST: i64 = -300_000;
const MOST: i64 = 4_000_000;

/// Watches a temperature for the climb to its peak.
#[derive(Clone, Debug, Default)]
pub struct Climb {
    /// The whole degree that the climb began at.
    base: i64,
    /// When each whole degree from there on was first passed upwards.
    passed: Vec<RigTime>,
    highest: i64,
    best: Option<Peak>,
    /// The last temperature's lowest value of the same whole degree.
    degree: i64,
}

impl Climb {
    /// Takes the temperature at an instant, not before the last.
    #[inline]
    pub fn note(&mut self, at: RigTime, temperature: MilliCelsius) {
        // Nearly always it is the same whole degree as a second ago.
        let beyond = temperature.value() - self.degree;
        if (0..1_000).contains(&beyond) && !self.passed.is_empty() {
            self.highest = self.highest.max(temperature.value());
            return;
        }
        self.note_degree(at, temperature);
    }

    fn note_degree(&mut self, at: RigTime, temperature: MilliCelsius) {
        // No kiln gets there; what is no temperature must not take the memory of one.
        let temperature = MilliCelsius::new(temperature.value().clamp(LEAST, MOST));
        let degree = temperature.value().div_euclid(1_000);
        self.degree = degree * 1_000;
        if self.passed.is_empty() {
            (self.base, self.highest) = (degree, temperature.value());
        }
        self.highest = self.highest.max(temperature.value());
        let above = degree - self.base;
        if above >= 0 {
            while self.passed.len() as i64 <= above {
                self.passed.push(at);
            }
        }
        // How many of the degrees passed are still part of the climb.
        let left = usize::try_from(above + 1).unwrap_or(0) + FALL_BACK;
        if left < self.passed.len() {
            self.best = self.peak();
            self.passed.truncate(left.max(1));
            self.highest = self.highest.min((self.base + left as i64) * 1_000);
            if above < 0 {
                // Cooler than where it began: the next climb begins here.
                self.passed.clear();
                self.note_degree(at, temperature);
            }
        }
    }

    /// The hottest peak so far; `None` before the first temperature.
    pub fn peak(&self) -> Option<Peak> {
        if self.passed.is_empty() {
            return self.best;
        }
        let top = self.highest.div_euclid(1_000) - self.base;
        let passed = |degrees: i64| usize::try_from(degrees).ok().and_then(|index| self.passed.get(index)).copied();
        let rate = passed(top - LAST).zip(passed(top - NEAR)).and_then(|(from, to)| {
            let micros = (to - from).as_micros();
            let per_hour = (LAST - NEAR) * 1_000 * RigSpan::from_minutes(60).as_micros();
            (micros > 0).then(|| per_hour / micros)
        });
        let here = Peak { temperature: MilliCelsius::new(self.highest), millicelsius_per_hour: rate };
        match self.best {
            Some(best) if best.temperature >= here.temperature => Some(best),
            _ => Some(here),
        }
    }
}
