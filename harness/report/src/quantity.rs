//! Times and temperatures as they are printed.

use dryfire_judge::Margin;

/// Thousandths of a degree with as many decimals as tell something: one from
/// 1 °C on, three below. Cut, not rounded: a margin is never shown larger than it is.
fn millicelsius(value: i64) -> String {
    thousandths(value, "°C")
}

fn thousandths(value: i64, unit: &str) -> String {
    let magnitude = value.unsigned_abs();
    let sign = if value < 0 { "-" } else { "" };
    if magnitude >= 1_000 || magnitude == 0 {
        format!("{sign}{}.{} {unit}", magnitude / 1_000, magnitude / 100 % 10)
    } else {
        format!("{sign}0.{magnitude:03} {unit}")
    }
}

/// What was measured: `3.188 s`, `1262.4 °C`.
pub fn value(quantity: Margin) -> String {
    match quantity {
        Margin::Time(span) => span.to_string(),
        Margin::Temperature(value) => millicelsius(value),
        Margin::Rate(value) => format!("{}/h", millicelsius(value)),
        Margin::Duty(value) => thousandths(value, "%"),
        Margin::Count(value @ (1 | -1)) => format!("{value} time"),
        Margin::Count(value) => format!("{value} times"),
    }
}

/// A margin with its sign: `+6.812 s`, `-12.3 °C`.
pub fn signed_margin(margin: Margin) -> String {
    let text = value(margin);
    if text.starts_with('-') { text } else { format!("+{text}") }
}

/// A coverage factor as it is written: `2`, `2.35`.
pub(crate) fn factor(hundredths: u16) -> String {
    let text = format!("{}.{:02}", hundredths / 100, hundredths % 100);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The bare number of a quantity, to compare within one unit.
pub(crate) fn size(quantity: Margin) -> i64 {
    quantity.number()
}

#[cfg(test)]
mod tests {
    use super::*;
    use dryfire_units::RigSpan;
    use rstest::rstest;

    #[rstest]
    #[case(Margin::Temperature(0), "+0.0 °C")]
    #[case(Margin::Temperature(-4), "-0.004 °C")]
    #[case(Margin::Temperature(999), "+0.999 °C")]
    #[case(Margin::Temperature(37_499), "+37.4 °C")]
    #[case(Margin::Temperature(-1_999), "-1.9 °C")]
    #[case(Margin::Temperature(i64::MIN), "-9223372036854775.8 °C")]
    #[case(Margin::Rate(150_000), "+150.0 °C/h")]
    #[case(Margin::Rate(-40), "-0.040 °C/h")]
    #[case(Margin::Duty(12_345), "+12.3 %")]
    #[case(Margin::Count(-2), "-2 times")]
    #[case(Margin::Count(1), "+1 time")]
    #[case(Margin::Time(RigSpan::from_millis(6_812)), "+6.812 s")]
    #[case(Margin::Time(RigSpan::from_millis(-2_100)), "-2.100 s")]
    #[case(Margin::Time(RigSpan::from_minutes(75)), "+1 h 15 min 00 s")]
    fn margins_carry_sign_and_unit_and_are_never_shown_larger(#[case] margin: Margin, #[case] shown: &str) {
        assert_eq!(signed_margin(margin), shown);
    }
}
