//! How well a bench knows what it measures and shows.

use dryfire_units::RigSpan;

use crate::bench::{
    BEST_EDGE_OF_A_RIG, BEST_TEMPERATURE_OF_A_RIG, Calibration, EdgeTime, EdgeTimeParts, Known, ShownTemperature,
    ShownTemperatureParts,
};
use crate::diagnostic::DiagnosticKind;
use crate::quantity::{span_text, thousandths};
use crate::reading::Reading;
use crate::reading::bench::in_time_range;
use crate::source::quoted;
use crate::suggest::either;
use crate::tree::{Content, Node};
use crate::words::Words;
use crate::{BenchKind, Uncertainty};

/// No more than this is believed of any part: it would be a broken bench.
const MOST_TIME: RigSpan = RigSpan::from_seconds(10);
const MOST_MILLICELSIUS: i64 = 100_000;
const MICRO: RigSpan = RigSpan::from_micros(1);
/// A clock that is one tenth wrong is none.
const MOST_PPM: u32 = 100_000;

/// The section `uncertainty`; what it leaves out is what is usual for the kind of bench.
pub(crate) fn uncertainty(reading: &mut Reading<'_>, node: &Node, kind: &BenchKind) -> Option<Uncertainty> {
    let what = "`uncertainty`";
    let fields = reading.fields(node, what, &["edge time", "shown temperature", "coverage factor"])?;
    let usual = Uncertainty::usual(kind);
    let edge = match fields.get("edge time") {
        None => Some(usual.edge_time),
        Some(node) => edge_time(reading, node, kind),
    };
    let shown = match fields.get("shown temperature") {
        None => Some(usual.shown_temperature),
        Some(node) => shown_temperature(reading, node, kind),
    };
    let coverage = match fields.get("coverage factor") {
        None => Some(usual.coverage_hundredths),
        Some(node) => coverage(reading, node),
    };
    Some(Uncertainty { edge_time: edge?, shown_temperature: shown?, coverage_hundredths: coverage? })
}

fn is_rig(kind: &BenchKind) -> bool {
    matches!(kind, BenchKind::Rig { .. })
}

fn edge_time(reading: &mut Reading<'_>, node: &Node, kind: &BenchKind) -> Option<EdgeTime> {
    if !matches!(node.content, Content::Mapping(_)) {
        let whole = in_time_range(reading, node, "the uncertainty of an edge", RigSpan::ZERO, MOST_TIME)?;
        if is_rig(kind) && whole < BEST_EDGE_OF_A_RIG {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("no rig knows its edges to {}", span_text(whole)),
                format!(
                    "its inputs are isolated, so it is {} at the least; with a calibrated delay state the parts: \
                     `edge time: {{ clock resolution: 1 µs, sampling interval: 20 µs, clock drift: 50 ppm, sensing \
                     delay: 30 µs }}`",
                    span_text(BEST_EDGE_OF_A_RIG)
                ),
            );
            return None;
        }
        return Some(EdgeTime::Whole(whole));
    }
    let keys = ["clock resolution", "sampling interval", "clock drift", "sensing delay"];
    let fields = reading.fields(node, "the edge time", &keys)?;
    let usual = EdgeTimeParts::usual(kind);
    // Instants are counted in whole microseconds, so no clock is finer than that.
    let mut span = |key: &str, usual: Known<RigSpan>, least: RigSpan| match fields.get(key) {
        None => Some(usual),
        Some(node) => in_time_range(reading, node, &format!("the {key}"), least, MOST_TIME).map(Known::stated),
    };
    let resolution = span("clock resolution", usual.clock_resolution, MICRO);
    let sampling = span("sampling interval", usual.sampling_interval, RigSpan::ZERO);
    let delay_of_none = if is_rig(kind) { MICRO } else { RigSpan::ZERO };
    let delay = span("sensing delay", usual.sensing_delay, delay_of_none);
    let drift = match fields.get("clock drift") {
        None => Some(usual.clock_drift_ppm),
        Some(node) => ppm(reading, node, if is_rig(kind) { 1 } else { 0 }).map(Known::stated),
    };
    Some(EdgeTime::Parts(EdgeTimeParts {
        clock_resolution: resolution?,
        sampling_interval: sampling?,
        clock_drift_ppm: drift?,
        sensing_delay: delay?,
    }))
}

/// `100 ppm`.
fn ppm(reading: &mut Reading<'_>, node: &Node, least: u32) -> Option<u32> {
    let scalar = reading.scalar(node, "the clock drift")?;
    let number = scalar.text.trim().strip_suffix("ppm").map(str::trim);
    let Some(found) = number.and_then(|number| number.parse::<u32>().ok()) else {
        reading.mistake(
            DiagnosticKind::BadQuantity,
            node.span,
            format!("{} is no clock drift", quoted(&scalar.text)),
            "write whole millionths, for example `100 ppm`; an ordinary crystal has up to 100".to_owned(),
        );
        return None;
    };
    if !(least..=MOST_PPM).contains(&found) {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("a clock drift of {found} ppm makes no sense"),
            format!("it lies between {least} ppm and {MOST_PPM} ppm"),
        );
        return None;
    }
    Some(found)
}

fn shown_temperature(reading: &mut Reading<'_>, node: &Node, kind: &BenchKind) -> Option<ShownTemperature> {
    if !matches!(node.content, Content::Mapping(_)) {
        let whole = degrees(reading, node, "the uncertainty of the temperature shown", 0)?;
        if is_rig(kind) && whole < BEST_TEMPERATURE_OF_A_RIG {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("no rig shows a temperature to {} °C", thousandths(whole)),
                format!(
                    "it is {} °C at the least; with a calibrated emulator state the parts: `shown temperature: {{ \
                     resolution: 0.02 °C, calibration: {{ expanded: 0.5 °C }}, cold junction: 0.3 °C }}`",
                    thousandths(BEST_TEMPERATURE_OF_A_RIG)
                ),
            );
            return None;
        }
        return Some(ShownTemperature::Whole(whole));
    }
    let fields = reading.fields(node, "the shown temperature", &["resolution", "calibration", "cold junction"])?;
    let usual = ShownTemperatureParts::usual(kind);
    // No part of a rig is without error.
    let least = i64::from(is_rig(kind));
    let resolution = match fields.get("resolution") {
        None => Some(usual.resolution_millicelsius),
        Some(node) => degrees(reading, node, "the resolution", least).map(Known::stated),
    };
    let calibration = match fields.get("calibration") {
        None => Some(usual.calibration),
        Some(node) => calibration(reading, node, least).map(Known::stated),
    };
    let junction = match fields.get("cold junction") {
        None => Some(usual.cold_junction_millicelsius),
        Some(node) => degrees(reading, node, "the error of the cold junction", least).map(Known::stated),
    };
    Some(ShownTemperature::Parts(ShownTemperatureParts {
        resolution_millicelsius: resolution?,
        calibration: calibration?,
        cold_junction_millicelsius: junction?,
    }))
}

fn calibration(reading: &mut Reading<'_>, node: &Node, least: i64) -> Option<Calibration> {
    if !matches!(node.content, Content::Mapping(_)) {
        return degrees(reading, node, "what is left after calibration", least).map(Calibration::Within);
    }
    let what = "`calibration`";
    let fields = reading.fields(node, what, &["expanded", "coverage factor", "readings"])?;
    let expanded = reading
        .require(&fields, "expanded", what, "0.5 °C")
        .and_then(|node| degrees(reading, node, "the expanded uncertainty of the calibration", least));
    let factor = match fields.get("coverage factor") {
        None => Some(200),
        Some(node) => coverage(reading, node),
    };
    let readings = match fields.get("readings") {
        None => Some(None),
        // With fewer than two nothing is known of how they scatter.
        Some(node) => reading.integer(node, "the number of readings", 2, 10_000).map(|count| Some(count as u16)),
    };
    Some(Calibration::Certificate {
        expanded_millicelsius: expanded?,
        coverage_hundredths: factor?,
        readings: readings?,
    })
}

/// A half-width in thousandths of a degree.
fn degrees(reading: &mut Reading<'_>, node: &Node, what: &str, least: i64) -> Option<i64> {
    let found = reading.parse(node, what, |text| {
        let mut words = Words::of(text);
        let found = words.difference()?;
        words.end("one difference of temperatures stands here")?;
        Ok(found)
    })?;
    if !(least..=MOST_MILLICELSIUS).contains(&found) {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("an uncertainty of {} °C makes no sense", thousandths(found)),
            format!("it lies between {} °C and 100 °C", thousandths(least)),
        );
        return None;
    }
    Some(found)
}

/// A coverage factor in hundredths: from 1 to 4.
fn coverage(reading: &mut Reading<'_>, node: &Node) -> Option<u16> {
    let scalar = reading.scalar(node, "the coverage factor")?;
    let (whole, fraction) = scalar.text.split_once('.').unwrap_or((&scalar.text, ""));
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let fits = whole.len() == 1 && fraction.len() <= 2 && digits(whole) && digits(fraction) && scalar.is_number();
    let hundredths = fits.then(|| format!("{whole}{fraction:0<2}").parse::<u16>().ok()).flatten();
    let found = hundredths.filter(|value| (100..=400).contains(value));
    if found.is_none() {
        reading.mistake(
            DiagnosticKind::OutOfRange,
            node.span,
            format!("{} is no coverage factor", quoted(&scalar.text)),
            format!("write a number from 1 to 4 with at most two decimals, commonly {}", either(&["2"])),
        );
    }
    found
}
