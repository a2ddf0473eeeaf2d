//! What a clean firing did to cones, as a plausibility value for people who know them.

use dryfire_engine::ZoneHeatWork;
use dryfire_judge::Margin;
use dryfire_kiln::HeatWork;
use serde::Serialize;

use crate::quantity::value;

fn celsius(millicelsius: i64) -> String {
    value(Margin::Temperature(millicelsius))
}

/// Zones with the same words stand together: `top, middle: about cone 06, …`.
pub(crate) fn sentences(zones: &[ZoneHeatWork]) -> Vec<String> {
    let mut lines: Vec<(Vec<&str>, String)> = Vec::new();
    for zone in zones {
        let words = sentence(zone);
        match lines.last_mut().filter(|(_, before)| *before == words) {
            Some((names, _)) => names.push(&zone.zone),
            None => lines.push((vec![&zone.zone], words)),
        }
    }
    lines.into_iter().map(|(names, words)| format!("{}: {words}", names.join(", "))).collect()
}

fn sentence(zone: &ZoneHeatWork) -> String {
    let peak = celsius(zone.peak.temperature.value());
    let Some(rate) = zone.peak.millicelsius_per_hour else {
        return format!("peak {peak}, and less than 100 °C of climb to tell a rate from");
    };
    let rate = format!("{} °C/h", (rate + 500) / 1_000);
    match zone.peak.heat_work() {
        Some(HeatWork::Bent { cone, bends_at, next: Some((next, at)) }) => format!(
            "about cone {} (bends at {}; cone {} only at {}), peak {peak} at {rate}",
            cone.number,
            celsius(bends_at.value()),
            next.number,
            celsius(at.value())
        ),
        Some(HeatWork::Bent { cone, bends_at, next: None }) => format!(
            "cone {} or hotter (bends at {}), peak {peak} at {rate}: the table ends there",
            cone.number,
            celsius(bends_at.value())
        ),
        Some(HeatWork::TooCool) => format!("cooler than any cone of the table, peak {peak} at {rate}"),
        Some(HeatWork::RateOutside) | None => {
            format!("peak {peak} at {rate}: the table of cones is for 60 °C/h to 150 °C/h only")
        }
    }
}

/// The same for programs.
#[derive(Serialize)]
pub(crate) struct HeatWorkRecord<'a> {
    zone: &'a str,
    peak_millicelsius: i64,
    /// Over the last 100 °C; left out if the climb was shorter.
    #[serde(skip_serializing_if = "Option::is_none")]
    millicelsius_per_hour: Option<i64>,
    /// `bent`, `too-cool`, `rate-outside` or `no-rate`.
    heat_work: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    cone: Option<&'static str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    bends_at_millicelsius: Option<i64>,
}

impl<'a> HeatWorkRecord<'a> {
    pub(crate) fn of(zone: &'a ZoneHeatWork) -> Self {
        let (heat_work, cone, bends_at_millicelsius) = match zone.peak.heat_work() {
            Some(HeatWork::Bent { cone, bends_at, .. }) => ("bent", Some(cone.number), Some(bends_at.value())),
            Some(HeatWork::TooCool) => ("too-cool", None, None),
            Some(HeatWork::RateOutside) => ("rate-outside", None, None),
            None => ("no-rate", None, None),
        };
        HeatWorkRecord {
            zone: &zone.zone,
            peak_millicelsius: zone.peak.temperature.value(),
            millicelsius_per_hour: zone.peak.millicelsius_per_hour,
            heat_work,
            cone,
            bends_at_millicelsius,
        }
    }
}
