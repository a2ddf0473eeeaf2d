//! The independent limiter of a bench: its probe, its trip, and whether the rest of the wiring goes with it.

use crate::diagnostic::DiagnosticKind;
use crate::quantity::thousandths;
use crate::reading::scenario::temperature;
use crate::reading::wiring::{MAX_PIN, thermocouple_type, zone_name, zone_of};
use crate::reading::{Fields, Reading};
use crate::tree::{Content, Entry, Node};
use crate::{
    BenchKind, Contact, ContactRole, Declared, Limiter, Plays, RIG_PROBE_CHANNELS, Relay, RelayRole, Span, Zone,
};

/// Hottest trip that makes sense: no kiln of the trade is fired beyond it (common practice, no source).
const HOTTEST_TRIP: i64 = 1_500_000;
const COLDEST_TRIP: i64 = 100_000;

/// The section `limiter`.
pub(crate) fn limiter(reading: &mut Reading<'_>, node: &Node, zones: Option<&[Zone]>) -> Option<Limiter> {
    let what = "the section `limiter`";
    let fields = reading.fields(node, what, &["zone", "probe", "channel", "trip", "reset below"])?;
    let zone = reading.require(&fields, "zone", what, "top").and_then(|node| {
        let name = zone_name(reading, node)?;
        zone_of(reading, &name, zones)
    });
    let probe_type = reading.require(&fields, "probe", what, "K").and_then(|node| thermocouple_type(reading, node));
    let channel = reading.require(&fields, "channel", what, "3").and_then(|node| {
        let channel = reading.integer(node, "a probe channel", 0, MAX_PIN)?;
        let channel = u8::try_from(channel).ok()?;
        let taken = zones.unwrap_or_default().iter().find(|zone| zone.probe_channel == Some(channel));
        if let Some(zone) = taken {
            reading.mistake(
                DiagnosticKind::DuplicateName,
                node.span,
                format!("the probe channel {channel} plays the probe of zone `{}` already", zone.name),
                "a limiter has a probe of its own: one that shares the controller's is blind whenever the controller is"
                    .to_owned(),
            );
            return None;
        }
        Some(channel)
    });
    let trip = reading.require(&fields, "trip", what, "1290 °C").and_then(|node| {
        let trip = temperature(reading, node, "the limiter's trip")?;
        if !(COLDEST_TRIP..=HOTTEST_TRIP).contains(&trip) {
            reading.mistake(
                DiagnosticKind::OutOfRange,
                node.span,
                format!("a limiter of a kiln does not trip at {} °C", thousandths(trip)),
                format!("it lies between {} °C and {} °C", thousandths(COLDEST_TRIP), thousandths(HOTTEST_TRIP)),
            );
            return None;
        }
        Some(trip)
    });
    let reset_below = match fields.get("reset below") {
        None => Some(None),
        Some(node) => temperature(reading, node, "the temperature below which the limiter can be reset").map(Some),
    };
    if let (Some(trip), Some(Some(below)), Some(node)) = (trip, reset_below, fields.get("reset below"))
        && below >= trip
    {
        reading.mistake(
            DiagnosticKind::Contradiction,
            node.span,
            format!("it could be reset at {} °C, where it has tripped already", thousandths(below)),
            format!("a limiter can be reset only once the kiln is cooler than its trip, {} °C", thousandths(trip)),
        );
        return None;
    }
    Some(Limiter {
        zone: zone?,
        probe_type: probe_type?,
        probe_channel: channel?,
        trip_millicelsius: trip?,
        reset_below_millicelsius: reset_below?,
    })
}

/// What else of the bench file has to go with a limiter, or with there being none.
pub(crate) struct Wired<'a, 'n> {
    pub(crate) fields: &'a Fields<'n>,
    pub(crate) kind: Option<&'a BenchKind>,
    pub(crate) zones: Option<&'a [Zone]>,
    pub(crate) relays: Option<&'a [Relay]>,
    pub(crate) contacts: Option<&'a [Contact]>,
    pub(crate) declares: Option<&'a Declared>,
}

impl Wired<'_, '_> {
    pub(crate) fn check(&self, reading: &mut Reading<'_>, limiter: Option<&Limiter>) {
        let Some(limiter) = limiter else { return self.without(reading) };
        let Some(entry) = self.fields.entry("limiter") else { return };
        let senses = |relays: &[Relay]| relays.iter().any(|relay| relay.role == RelayRole::Limiter);
        if self.relays.is_some_and(|relays| !senses(relays)) {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                "the rig does not sense the limiter's contact, so nothing could be shown of it",
                "add it to `relays`, for example `- { role: limiter, input: 4, senses: contact, active: high }`, and to \
                 every path; where it cannot be sensed, leave `limiter` out: its hazard is then not tested"
                    .to_owned(),
            );
        }
        if let Some(declares) = self.declares
            && limiter.trip_millicelsius <= declares.top_temperature_millicelsius
        {
            reading.mistake(
                DiagnosticKind::Contradiction,
                value_of(&entry.value, "trip"),
                format!(
                    "the limiter trips at {} °C, which the controller may fire to: its top temperature is {} °C",
                    thousandths(limiter.trip_millicelsius),
                    thousandths(declares.top_temperature_millicelsius),
                ),
                "a limiter trips above the top temperature and not above what the kiln file allows".to_owned(),
            );
        }
        match self.kind {
            Some(BenchKind::Program { .. }) => reading.mistake(
                DiagnosticKind::Contradiction,
                entry.key_span,
                "a program is the logic of a controller; a limiter is a device beside it",
                "leave `limiter` out: on this bench its hazard is not tested".to_owned(),
            ),
            Some(BenchKind::Rig { plays: Plays::Converters, .. }) => reading.mistake(
                DiagnosticKind::Contradiction,
                entry.key_span,
                "a rig that plays converters has no probe to play to a limiter",
                "leave `plays: converters` out, or leave `limiter` out: its hazard is then not tested".to_owned(),
            ),
            _ => {}
        }
        self.has_a_channel_left(reading, entry, limiter);
    }

    /// A rig's channels are few, and a limiter takes one of them for itself.
    fn has_a_channel_left(&self, reading: &mut Reading<'_>, entry: &Entry, limiter: &Limiter) {
        if !matches!(self.kind, Some(BenchKind::Rig { plays: Plays::Probes, .. })) {
            return;
        }
        let played = self.zones.unwrap_or_default().iter().filter(|zone| zone.probe_channel.is_some()).count();
        let (message, hint) = if played >= RIG_PROBE_CHANNELS {
            (
                format!(
                    "the zones' probes and the limiter's are {} in all, and a rig plays {RIG_PROBE_CHANNELS}",
                    played + 1
                ),
                "leave out the `channel` of a zone, which then follows the probe of the zone before it, and give that \
                 channel to the limiter; or leave `limiter` out: its hazard is then not tested",
            )
        } else if usize::from(limiter.probe_channel) >= RIG_PROBE_CHANNELS {
            (
                format!(
                    "a rig has {RIG_PROBE_CHANNELS} probe channels, numbered from 0: there is no {}",
                    limiter.probe_channel
                ),
                "give the limiter the channel that no zone has",
            )
        } else {
            return;
        };
        reading.mistake(DiagnosticKind::OutOfRange, value_of(&entry.value, "channel"), message, hint.to_owned());
    }

    /// What belongs to a limiter that the file does not describe.
    fn without(&self, reading: &mut Reading<'_>) {
        let hint = "describe it, for example `limiter: { zone: top, probe: K, channel: 3, trip: 1290 °C }`, or leave \
                    this out";
        let relays = self.relays.unwrap_or_default();
        if relays.iter().any(|relay| relay.role == RelayRole::Limiter)
            && let Some(entry) = self.fields.entry("relays")
        {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                "a relay with the role `limiter` is listed, but the bench file describes no limiter",
                hint.to_owned(),
            );
        }
        let contacts = self.contacts.unwrap_or_default();
        let of_limiter = |role| matches!(role, ContactRole::Reset | ContactRole::LimiterSupply);
        if let Some(contact) = contacts.iter().find(|contact| of_limiter(contact.role))
            && let Some(entry) = self.fields.entry("contacts")
        {
            reading.mistake(
                DiagnosticKind::MissingKey,
                entry.key_span,
                format!("the contact `{}` is a limiter's, but the bench file describes none", contact.role.word()),
                hint.to_owned(),
            );
        }
    }
}

/// The place of a key's value in a mapping; the whole of it if there is none.
fn value_of(node: &Node, key: &str) -> Span {
    match &node.content {
        Content::Mapping(entries) => {
            entries.iter().find(|entry| entry.key == key).map_or(node.span, |entry| entry.value.span)
        }
        _ => node.span,
    }
}
