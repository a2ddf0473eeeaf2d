//! Tolerance classes of new thermocouple wire: how far a probe may be off.
//!
//! The tolerance is the greater of a fixed value and a share of the temperature
//! (°C, without its sign), with the reference junction at 0 °C. It holds for new
//! wire: what a probe has become in a kiln is another matter.
//!
//! Neither standard was seen. Each row of [`ROWS`] says how far it can be trusted
//! ([`Basis`]): most were read in suppliers' tables that quote IEC 60584-1:2013 or
//! ASTM E230; some are from memory.

use crate::{Celsius, ThermocoupleType};

/// A class of a standard.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ToleranceClass {
    /// IEC 60584-1, class 1.
    Iec1,
    /// IEC 60584-1, class 2.
    Iec2,
    /// IEC 60584-1, class 3.
    Iec3,
    /// ASTM E230, special tolerance.
    AstmSpecial,
    /// ASTM E230, standard tolerance.
    AstmStandard,
}

/// How far a row can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Basis {
    /// Read in a supplier's table that quotes the standard.
    Copy,
    /// As [`Copy`](Self::Copy), but such tables disagree; the larger value is taken.
    CopiesDisagree,
    /// From memory.
    Memory,
}

/// One range of one class and type.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// The class.
    pub class: ToleranceClass,
    /// The type.
    pub kind: ThermocoupleType,
    /// Where the row begins, °C; belongs to it.
    pub from_celsius: f64,
    /// Where it ends, °C; belongs to it.
    pub to_celsius: f64,
    /// The fixed value, °C.
    pub fixed_celsius: f64,
    /// Share of the temperature.
    pub share: f64,
    /// For each degree above the row's beginning, °C are added to the fixed value.
    pub rise: f64,
    /// How far it can be trusted.
    pub basis: Basis,
}

/// What a class allows at a temperature.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// Plus and minus so much.
    pub plus_minus: Celsius,
    /// How far the figure can be trusted.
    pub basis: Basis,
}

const fn row(
    class: ToleranceClass,
    kind: ThermocoupleType,
    (from_celsius, to_celsius): (f64, f64),
    (fixed_celsius, share): (f64, f64),
    basis: Basis,
) -> Row {
    Row { class, kind, from_celsius, to_celsius, fixed_celsius, share, rise: 0.0, basis }
}

/// Types R and S of class 1 above 1100 °C: 1 °C and 0.3 % of what is above.
const fn noble_class_1(kind: ThermocoupleType) -> Row {
    let row = row(ToleranceClass::Iec1, kind, (1100.0, 1600.0), (1.0, 0.0), Basis::Memory);
    Row { rise: 0.003, ..row }
}

/// Every row, by standard, type and range.
pub const ROWS: [Row; 41] = {
    use Basis::{CopiesDisagree, Copy};
    use ThermocoupleType::{B, E, J, K, N, R, S, T};
    use ToleranceClass::{AstmSpecial, AstmStandard, Iec1, Iec2, Iec3};
    [
        row(Iec1, T, (-40.0, 350.0), (0.5, 0.004), Copy),
        row(Iec2, T, (-40.0, 350.0), (1.0, 0.0075), Copy),
        row(Iec3, T, (-200.0, 40.0), (1.0, 0.015), Copy),
        row(Iec1, E, (-40.0, 800.0), (1.5, 0.004), Copy),
        row(Iec2, E, (-40.0, 900.0), (2.5, 0.0075), Copy),
        row(Iec3, E, (-200.0, 40.0), (2.5, 0.015), Copy),
        row(Iec1, J, (-40.0, 750.0), (1.5, 0.004), Copy),
        row(Iec2, J, (-40.0, 750.0), (2.5, 0.0075), Copy),
        row(Iec1, K, (-40.0, 1000.0), (1.5, 0.004), Copy),
        row(Iec2, K, (-40.0, 1200.0), (2.5, 0.0075), Copy),
        row(Iec3, K, (-200.0, 40.0), (2.5, 0.015), Copy),
        row(Iec1, N, (-40.0, 1000.0), (1.5, 0.004), Copy),
        row(Iec2, N, (-40.0, 1200.0), (2.5, 0.0075), Copy),
        row(Iec3, N, (-200.0, 40.0), (2.5, 0.015), CopiesDisagree),
        row(Iec1, R, (0.0, 1100.0), (1.0, 0.0), Copy),
        noble_class_1(R),
        row(Iec2, R, (0.0, 1600.0), (1.5, 0.0025), Copy),
        row(Iec1, S, (0.0, 1100.0), (1.0, 0.0), Copy),
        noble_class_1(S),
        row(Iec2, S, (0.0, 1600.0), (1.5, 0.0025), Copy),
        row(Iec2, B, (600.0, 1700.0), (1.5, 0.0025), Copy),
        row(Iec3, B, (600.0, 1700.0), (4.0, 0.005), Copy),
        row(AstmSpecial, T, (0.0, 370.0), (0.5, 0.004), Copy),
        row(AstmStandard, T, (0.0, 370.0), (1.0, 0.0075), Copy),
        row(AstmStandard, T, (-200.0, 0.0), (1.0, 0.015), Copy),
        row(AstmSpecial, J, (0.0, 760.0), (1.1, 0.004), Copy),
        row(AstmStandard, J, (0.0, 760.0), (2.2, 0.0075), Copy),
        row(AstmSpecial, E, (0.0, 870.0), (1.0, 0.004), Copy),
        row(AstmStandard, E, (0.0, 870.0), (1.7, 0.005), Copy),
        row(AstmStandard, E, (-200.0, 0.0), (1.7, 0.01), Copy),
        row(AstmSpecial, K, (0.0, 1260.0), (1.1, 0.004), Copy),
        row(AstmStandard, K, (0.0, 1260.0), (2.2, 0.0075), Copy),
        row(AstmStandard, K, (-200.0, 0.0), (2.2, 0.02), CopiesDisagree),
        row(AstmSpecial, N, (0.0, 1260.0), (1.1, 0.004), Copy),
        row(AstmStandard, N, (0.0, 1260.0), (2.2, 0.0075), Copy),
        // Copies put the upper end of R and S at 1450 or 1480 °C.
        row(AstmSpecial, R, (0.0, 1480.0), (0.6, 0.001), Copy),
        row(AstmStandard, R, (0.0, 1480.0), (1.5, 0.0025), Copy),
        row(AstmSpecial, S, (0.0, 1480.0), (0.6, 0.001), Copy),
        row(AstmStandard, S, (0.0, 1480.0), (1.5, 0.0025), Copy),
        row(AstmSpecial, B, (870.0, 1700.0), (0.0, 0.0025), Copy),
        row(AstmStandard, B, (870.0, 1700.0), (0.0, 0.005), Copy),
    ]
};

impl ToleranceClass {
    /// All classes.
    pub const ALL: [ToleranceClass; 5] = [Self::Iec1, Self::Iec2, Self::Iec3, Self::AstmSpecial, Self::AstmStandard];

    /// What the class allows a probe of a type at a temperature; `None` where the
    /// class says nothing of it. Where two rows meet, the tighter one counts.
    pub fn at(self, kind: ThermocoupleType, temperature: Celsius) -> Option<Tolerance> {
        let rows = ROWS.iter().filter(|row| row.class == self && row.kind == kind);
        rows.filter_map(|row| row.at(temperature.value()))
            .min_by(|a, b| a.plus_minus.value().total_cmp(&b.plus_minus.value()))
    }

    /// The highest temperature of the class for a type; `None` where it has none.
    pub fn highest(self, kind: ThermocoupleType) -> Option<Celsius> {
        let rows = ROWS.iter().filter(|row| row.class == self && row.kind == kind);
        rows.map(|row| row.to_celsius).reduce(f64::max).map(Celsius::new)
    }
}

impl Row {
    fn at(&self, celsius: f64) -> Option<Tolerance> {
        if !(self.from_celsius..=self.to_celsius).contains(&celsius) {
            return None;
        }
        let fixed = self.fixed_celsius + self.rise * (celsius - self.from_celsius);
        let share = self.share * libm::fabs(celsius);
        let plus_minus = Celsius::new(if fixed > share { fixed } else { share });
        Some(Tolerance { plus_minus, basis: self.basis })
    }
}
