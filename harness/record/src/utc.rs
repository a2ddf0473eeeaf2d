//! The date and time of a computer's clock, as it is written into records and file names.
#![expect(clippy::disallowed_methods, clippy::disallowed_types, reason = "wall time is a recorded fact")]

use std::time::{SystemTime, UNIX_EPOCH};

/// Now, in UTC: `2026-11-25T09:30:00.123Z`.
pub fn now() -> String {
    // A clock before 1970 is shown as 1970.
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    format(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

fn format(millis: i64) -> String {
    let (days, of_day) = (millis.div_euclid(86_400_000), millis.rem_euclid(86_400_000));
    let (year, month, day) = date(days);
    let (seconds, millis) = (of_day / 1_000, of_day % 1_000);
    let (hour, minute, second) = (seconds / 3_600, seconds / 60 % 60, seconds % 60);
    format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}:{second:02}.{millis:03}Z")
}

/// Year, month and day of the Gregorian calendar, so many days after 1970-01-01.
///
/// Counted in eras of 400 years (146,097 days) that begin in March, so that the
/// leap day is a year's last.
fn date(days: i64) -> (i64, i64, i64) {
    let days = days + 719_468;
    let (era, of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_era = (of_era - of_era / 1_460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    (year_of_era + era * 400 + i64::from(month <= 2), month, day)
}

#[cfg(test)]
mod tests {
    use super::format;
    use rstest::rstest;

    /// Checked against `date -u -d @SECONDS` of GNU coreutils 9.
    #[rstest]
    #[case(0, "1970-01-01T00:00:00.000Z")]
    #[case(951_782_400_000, "2000-02-29T00:00:00.000Z")]
    #[case(1_709_251_199_999, "2024-02-29T23:59:59.999Z")]
    #[case(4_107_542_400_000, "2100-03-01T00:00:00.000Z")]
    #[case(1_795_599_000_123, "2026-11-25T09:30:00.123Z")]
    fn instants_have_the_dates_of_the_calendar(#[case] millis: i64, #[case] shown: &str) {
        assert_eq!(format(millis), shown);
    }
}
