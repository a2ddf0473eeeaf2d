//! How the stand-in's board is wired and what it is set to.

use dryfire_engine::{Trouble, TroubleKind};
use dryfire_scenario::{
    ActiveLevel, BeginFiring, Bench, BenchKind, ContactRole, ContactState, ConverterChoice, Plays, RelayRole, Segment,
    Senses,
};
use dryfire_stand_in::{
    Defect, Defects, LimiterSettings, MAX_ZONES, MemoryImage, Program, ProgramError, Settings, Stored, Variant,
};
use dryfire_units::converter::{Converter, ConverterKind, UnsupportedType};
use dryfire_units::{RigSpan, ThermocoupleType};

use super::limiter::{BoardLimiter, LimiterWire};

/// One zone's probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct BoardZone {
    /// The type that its converter is set to.
    pub thermocouple: ThermocoupleType,
    /// The rig channel at its terminals; `None`: the zone follows the probe of
    /// the zone before it (the first one that has a probe, if none comes before).
    pub channel: Option<u8>,
}

/// One relay as the rig senses it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RelayWire {
    /// The zone whose element it switches; `None`: the safety contactor.
    pub zone: Option<usize>,
    /// The rig input.
    pub input: u8,
    /// What is sensed: the command comes in microseconds, a contact in milliseconds.
    pub senses: Senses,
    /// The input's level while the relay is on.
    pub active: ActiveLevel,
}

/// One contact as the rig works it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ContactWire {
    /// What it stands for.
    pub role: ContactRole,
    /// The rig output.
    pub output: u8,
    /// Its state when engaged (lid open, button pressed).
    pub engaged: ContactState,
}

/// Everything a board is made from.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardSetup {
    /// Of all that is random in it.
    pub seed: u64,
    /// The controller's declared values; the number of zones is that of `zones`.
    pub settings: Settings,
    /// Mistakes switched on.
    pub defects: Defects,
    /// The zones, one to four, at least one with a probe.
    pub zones: Vec<BoardZone>,
    /// The kind of part that reads the probes.
    pub converter: ConverterKind,
    /// How long each contact takes, found as it was until then, when the main loop comes round to it at once; if not given
    /// it bounces, and how long is drawn for each stroke.
    pub bounces_for: Option<RigSpan>,
    /// Whether the parts are played by the rig: they are silent until it does.
    pub played: bool,
    /// How often a read-only part is looked at; `None`: on every tick that leaves it
    /// time to convert. More often, it never gets done and its reading stands still.
    pub poll: Option<RigSpan>,
    /// The sensed relays.
    pub relays: Vec<RelayWire>,
    /// The limiter beside the controller, if there is one.
    pub limiter: Option<BoardLimiter>,
    /// The contacts.
    pub contacts: Vec<ContactWire>,
    /// Temperature of the controller's terminals, thousandths of a degree Celsius.
    pub ambient_millicelsius: i64,
    /// What its memory holds before it is first switched on.
    pub memory: MemoryImage,
    /// What its millisecond timer shows at boot; 0 on real hardware, and just
    /// below 2³² to see it wrap.
    pub timer_at_boot_ms: u32,
}

/// Why a board cannot be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BoardSetupError {
    /// The bench has no zone or more than the stand-in can have.
    #[error("the stand-in has 1 to {MAX_ZONES} zones, the bench has {0}")]
    Zones(usize),
    /// No zone has a probe.
    #[error("no zone of the bench has a probe channel")]
    NoProbe,
    /// A letter that is no thermocouple type.
    #[error("`{0}` is no thermocouple type; the types are B, E, J, K, N, R, S and T")]
    Thermocouple(char),
    /// A converter that there is not for a zone's thermocouple.
    #[error(transparent)]
    Converter(#[from] UnsupportedType),
    /// A name that no defect has.
    #[error("the stand-in has no defect `{0}`")]
    Defect(String),
    /// A name that no variant has.
    #[error("the stand-in has no variant `{0}`")]
    Variant(String),
    /// A declared value that the stand-in cannot have.
    #[error("the stand-in cannot declare {what} of {value}; it can from {from} to {to}")]
    Declared {
        /// Which.
        what: &'static str,
        /// What the bench says.
        value: i64,
        /// The least it can.
        from: i64,
        /// The most it can.
        to: i64,
    },
    /// A program that the stand-in refuses.
    #[error("the stand-in refuses the program: {0}")]
    Program(ProgramError),
}

impl From<BoardSetupError> for Trouble {
    fn from(error: BoardSetupError) -> Self {
        Trouble { kind: TroubleKind::PlanUnplayable, detail: error.to_string() }
    }
}

impl BoardSetup {
    /// How often the board looks at a read-only part.
    pub(super) fn poll_every(&self, part: &Converter) -> RigSpan {
        self.poll.unwrap_or_else(|| {
            let tick = RigSpan::from_millis(i64::from(self.settings.bounded().tick_ms));
            // Ticks jitter, and a conversion that is broken off a moment too early is lost.
            let least = part.conversion_period() + RigSpan::from_millis(1);
            let ticks = (least.as_micros() + tick.as_micros() - 1) / tick.as_micros();
            tick.times(ticks)
        })
    }

    /// A board as a bench file wires it.
    ///
    /// # Errors
    /// If the bench asks for what the stand-in cannot be.
    pub fn from_bench(bench: &Bench, seed: u64, ambient_millicelsius: i64) -> Result<Self, BoardSetupError> {
        if !(1..=MAX_ZONES).contains(&bench.zones.len()) {
            return Err(BoardSetupError::Zones(bench.zones.len()));
        }
        let zones = bench.zones.iter().map(|zone| {
            let thermocouple =
                ThermocoupleType::from_letter(zone.probe_type).ok_or(BoardSetupError::Thermocouple(zone.probe_type))?;
            Ok(BoardZone { thermocouple, channel: zone.probe_channel })
        });
        let zones = zones.collect::<Result<Vec<_>, BoardSetupError>>()?;
        if zones.iter().all(|zone| zone.channel.is_none()) {
            return Err(BoardSetupError::NoProbe);
        }
        let converter = match bench.converter {
            ConverterChoice::Linearised => ConverterKind::Linearised,
            ConverterChoice::FourteenBit => ConverterKind::FourteenBit,
            ConverterChoice::TwelveBit => ConverterKind::TwelveBit,
        };
        if converter != ConverterKind::Linearised {
            for zone in &zones {
                Converter::new(converter, zone.thermocouple)?;
            }
        }
        let choice = match &bench.kind {
            BenchKind::Virtual(choice) => choice.clone(),
            BenchKind::Program { .. } | BenchKind::Rig { .. } => dryfire_scenario::StandInChoice::default(),
        };
        let mut defects = Defects::NONE;
        for name in &choice.defects {
            defects = defects.with(Defect::from_name(name).ok_or_else(|| BoardSetupError::Defect(name.clone()))?);
        }
        let mut settings = Settings { zones: zones.len(), ..Settings::default() };
        let declares = &bench.declares;
        let top = declared("a top temperature in m°C", declares.top_temperature_millicelsius, 100_000, 1_400_000)?;
        settings.top_millicelsius = top as i32;
        let longest = declared("a longest firing in ms", declares.longest_firing.as_millis(), 60_000, 360_000_000)?;
        settings.longest_firing_ms = longest as u32;
        settings.cycle_ms = declared("a cycle time in ms", declares.cycle_time.as_millis(), 1_000, 120_000)? as u32;
        if let Some(tick) = choice.tick {
            settings.tick_ms = declared("a tick in ms", tick.as_millis(), 10, 2_000)? as u32;
        }
        if let Some(name) = &choice.variant {
            let variant = Variant::from_name(name).ok_or_else(|| BoardSetupError::Variant(name.clone()))?;
            settings = variant.applied(settings);
        }
        let relays = bench.relays.iter().filter_map(|relay| {
            let zone = match relay.role {
                RelayRole::Safety => None,
                RelayRole::Element(zone) => Some(zone),
                // It is none of the controller's.
                RelayRole::Limiter => return None,
            };
            Some(RelayWire { zone, input: relay.input, senses: relay.senses, active: relay.active })
        });
        let limiter = limiter(bench, &settings)?;
        let contacts = bench.contacts.iter().map(|contact| ContactWire {
            role: contact.role,
            output: contact.output,
            engaged: contact.engaged,
        });
        Ok(BoardSetup {
            seed,
            settings,
            defects,
            relays: relays.collect(),
            contacts: contacts.collect(),
            limiter,
            zones,
            converter,
            bounces_for: None,
            played: matches!(bench.kind, BenchKind::Rig { plays: Plays::Converters, .. }),
            poll: None,
            ambient_millicelsius,
            memory: MemoryImage::BLANK,
            timer_at_boot_ms: 0,
        })
    }

    /// The same board, ready to be told to begin a firing in the way that a bench
    /// file says: a start button sends no program, so it has to be there already.
    ///
    /// # Errors
    /// If the stand-in refuses the program.
    pub fn with_firing(self, begin: &BeginFiring, firing: &[Segment]) -> Result<Self, BoardSetupError> {
        match begin {
            BeginFiring::Contact { .. } if !firing.is_empty() => self.with_program(firing),
            BeginFiring::Contact { .. } | BeginFiring::Console { .. } | BeginFiring::Operator => Ok(self),
        }
    }

    /// The same board with a program already in its memory, for benches where a
    /// firing is begun by the start button.
    ///
    /// # Errors
    /// If the stand-in refuses the program.
    pub fn with_program(mut self, firing: &[Segment]) -> Result<Self, BoardSetupError> {
        let segments: Vec<_> = firing.iter().map(segment).collect();
        let hottest = self.settings.bounded().hottest_program_millicelsius();
        let program = Program::from_segments(&segments, hottest).map_err(BoardSetupError::Program)?;
        self.memory = MemoryImage::holding(&Stored { program, ..Stored::default() });
        Ok(self)
    }
}

/// Reset below this under the trip, where the bench file says nothing (common practice, no source).
const USUAL_RESET_MILLICELSIUS: i32 = 20_000;

/// The limiter that a bench file describes, if it describes one.
fn limiter(bench: &Bench, settings: &Settings) -> Result<Option<BoardLimiter>, BoardSetupError> {
    let Some(file) = &bench.limiter else { return Ok(None) };
    let Some(relay) = bench.relays.iter().find(|relay| relay.role == RelayRole::Limiter) else { return Ok(None) };
    let thermocouple =
        ThermocoupleType::from_letter(file.probe_type).ok_or(BoardSetupError::Thermocouple(file.probe_type))?;
    let trip = declared("a limiter's trip in m°C", file.trip_millicelsius, 100_000, 1_500_000)? as i32;
    let reset_below = match file.reset_below_millicelsius {
        None => trip - USUAL_RESET_MILLICELSIUS,
        // Any temperature of a file is far inside.
        Some(below) => declared("a limiter's reset in m°C", below, -273_150, i64::from(trip))? as i32,
    };
    let wire = |role| {
        let contact = bench.contacts.iter().find(|contact| contact.role == role);
        contact.map(|contact| LimiterWire { output: contact.output, engaged: contact.engaged })
    };
    Ok(Some(BoardLimiter {
        settings: LimiterSettings {
            trip_millicelsius: trip,
            reset_below_millicelsius: reset_below,
            traits: settings.limiter,
        },
        thermocouple,
        channel: file.probe_channel,
        zone: file.zone,
        input: relay.input,
        active: relay.active,
        reset: wire(ContactRole::Reset),
        supply: wire(ContactRole::LimiterSupply),
    }))
}

fn declared(what: &'static str, value: i64, from: i64, to: i64) -> Result<i64, BoardSetupError> {
    if (from..=to).contains(&value) { Ok(value) } else { Err(BoardSetupError::Declared { what, value, from, to }) }
}

/// Values beyond the stand-in's range become the nearest it knows, which its own checks refuse.
fn segment(segment: &Segment) -> dryfire_stand_in::Segment {
    let within = |value: i64| value.clamp(0, i64::from(i32::MAX)) as i32;
    match *segment {
        Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => dryfire_stand_in::Segment::Ramp {
            rate_millicelsius_per_hour: within(rate_millicelsius_per_hour),
            to_millicelsius: within(to_millicelsius),
        },
        Segment::Hold { length } => {
            dryfire_stand_in::Segment::Hold { length_ms: length.as_millis().clamp(0, i64::from(u32::MAX)) as u32 }
        }
    }
}
