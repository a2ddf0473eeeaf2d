//! The kinds of quantity, their units, and near misses of those.

/// A kind of quantity.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Dimension {
    /// A point on the temperature scale, °C.
    Temperature,
    /// A difference of temperatures, °C.
    TemperatureDifference,
    /// Temperature for each time, °C/h.
    Rate,
    /// A length of time, s.
    Span,
    /// A thermocouple's voltage, µV.
    ProbeVoltage,
    /// A supply's voltage, V.
    Voltage,
    /// Power, W.
    Power,
    /// Current, A.
    Current,
    /// A share of a whole, %.
    Percent,
    /// A length, m.
    Length,
    /// An area, m².
    Area,
    /// A mass, kg.
    Mass,
    /// Density, kg/m³.
    Density,
    /// Thermal conductivity, W/(m·K).
    Conductivity,
    /// Specific heat capacity, J/(kg·K).
    SpecificHeat,
    /// Heat capacity, J/K.
    HeatCapacity,
    /// Heat transfer coefficient, W/(m²·K).
    HeatTransfer,
    /// Thermal conductance, W/K.
    Conductance,
    /// Electrical resistance, Ω.
    Resistance,
    /// A plain number.
    Number,
}

/// A unit: `canonical = value · factor + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Unit {
    pub(super) factor: f64,
    pub(super) offset: f64,
}

impl Unit {
    pub(super) const ONE: Unit = Unit { factor: 1.0, offset: 0.0 };
}

type Row = (&'static str, f64);

impl Dimension {
    /// All of them; where two share a unit, the commoner comes first.
    pub const ALL: [Dimension; 20] = [
        Self::Temperature,
        Self::TemperatureDifference,
        Self::Rate,
        Self::Span,
        Self::ProbeVoltage,
        Self::Voltage,
        Self::Power,
        Self::Current,
        Self::Percent,
        Self::Length,
        Self::Area,
        Self::Mass,
        Self::Density,
        Self::Conductivity,
        Self::SpecificHeat,
        Self::HeatCapacity,
        Self::HeatTransfer,
        Self::Conductance,
        Self::Resistance,
        Self::Number,
    ];

    /// Its name, with article.
    pub const fn name(self) -> &'static str {
        match self {
            Self::Temperature => "a temperature",
            Self::TemperatureDifference => "a temperature difference",
            Self::Rate => "a rate",
            Self::Span => "a length of time",
            Self::ProbeVoltage => "a probe voltage",
            Self::Voltage => "a voltage",
            Self::Power => "a power",
            Self::Current => "a current",
            Self::Percent => "a share",
            Self::Length => "a length",
            Self::Area => "an area",
            Self::Mass => "a mass",
            Self::Density => "a density",
            Self::Conductivity => "a thermal conductivity",
            Self::SpecificHeat => "a specific heat",
            Self::HeatCapacity => "a heat capacity",
            Self::HeatTransfer => "a heat transfer coefficient",
            Self::Conductance => "a thermal conductance",
            Self::Resistance => "a resistance",
            Self::Number => "a plain number",
        }
    }

    /// The unit that its values are given in.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::Temperature | Self::TemperatureDifference => "°C",
            Self::Rate => "°C/h",
            Self::Span => "s",
            Self::ProbeVoltage => "µV",
            Self::Voltage => "V",
            Self::Power => "W",
            Self::Current => "A",
            Self::Percent => "%",
            Self::Length => "m",
            Self::Area => "m²",
            Self::Mass => "kg",
            Self::Density => "kg/m³",
            Self::Conductivity => "W/mK",
            Self::SpecificHeat => "J/kgK",
            Self::HeatCapacity => "J/K",
            Self::HeatTransfer => "W/m²K",
            Self::Conductance => "W/K",
            Self::Resistance => "Ω",
            Self::Number => "",
        }
    }

    /// The unit that most often goes with a number that somebody left bare.
    pub(super) const fn unit_for_hint(self) -> &'static str {
        match self {
            Self::Span => "min",
            Self::ProbeVoltage => "mV",
            Self::Length => "mm",
            _ => self.unit(),
        }
    }

    /// Examples for error messages.
    pub const fn examples(self) -> &'static str {
        match self {
            Self::Temperature => "650 °C or 1200 °F",
            Self::TemperatureDifference => "50 °C or 90 °F",
            Self::Rate => "150 °C/h or 270 °F/h",
            Self::Span => "10 s, 5 min or 1 h 30 min",
            Self::ProbeVoltage => "2.5 mV or 40 µV",
            Self::Voltage => "240 V",
            Self::Power => "3800 W or 3.8 kW",
            Self::Current => "48 A",
            Self::Percent => "50 %",
            Self::Length => "76 mm or 0.076 m",
            Self::Area => "0.7 m²",
            Self::Mass => "12 kg",
            Self::Density => "490 kg/m³",
            Self::Conductivity => "0.2 W/mK",
            Self::SpecificHeat => "1000 J/kgK",
            Self::HeatCapacity => "700 J/K",
            Self::HeatTransfer => "6 W/m²K",
            Self::Conductance => "0.5 W/K",
            Self::Resistance => "20 Ω or 1 kΩ",
            Self::Number => "0.85",
        }
    }

    /// Accepted spellings and their factors, without those of temperatures.
    const fn spellings(self) -> &'static [Row] {
        const FAHRENHEIT: f64 = 5.0 / 9.0;
        match self {
            Self::Temperature | Self::TemperatureDifference => {
                &[("°C", 1.0), ("degC", 1.0), ("°F", FAHRENHEIT), ("degF", FAHRENHEIT), ("K", 1.0)]
            }
            Self::Rate => &[
                ("°C/h", 1.0),
                ("degC/h", 1.0),
                ("K/h", 1.0),
                ("°F/h", FAHRENHEIT),
                ("degF/h", FAHRENHEIT),
                ("°C/min", 60.0),
                ("degC/min", 60.0),
                ("K/min", 60.0),
                ("°F/min", 60.0 * FAHRENHEIT),
                ("degF/min", 60.0 * FAHRENHEIT),
            ],
            Self::Span => {
                &[("d", 86_400.0), ("h", 3600.0), ("min", 60.0), ("s", 1.0), ("ms", 1e-3), ("µs", 1e-6), ("us", 1e-6)]
            }
            Self::ProbeVoltage => &[("µV", 1.0), ("uV", 1.0), ("mV", 1e3)],
            Self::Voltage => &[("V", 1.0), ("mV", 1e-3)],
            Self::Power => &[("W", 1.0), ("kW", 1e3)],
            Self::Current => &[("A", 1.0), ("mA", 1e-3)],
            Self::Percent => &[("%", 1.0)],
            Self::Length => &[("m", 1.0), ("cm", 1e-2), ("mm", 1e-3)],
            Self::Area => &[("m²", 1.0), ("m2", 1.0), ("cm²", 1e-4), ("cm2", 1e-4)],
            Self::Mass => &[("kg", 1.0), ("g", 1e-3)],
            Self::Density => &[("kg/m³", 1.0), ("kg/m3", 1.0)],
            Self::Conductivity => &[("W/mK", 1.0), ("W/m/K", 1.0), ("W/(m·K)", 1.0)],
            Self::SpecificHeat => &[("J/kgK", 1.0), ("J/kg/K", 1.0), ("J/(kg·K)", 1.0), ("kJ/kgK", 1e3)],
            Self::HeatCapacity => &[("J/K", 1.0), ("kJ/K", 1e3)],
            Self::HeatTransfer => {
                &[("W/m²K", 1.0), ("W/m2K", 1.0), ("W/m²/K", 1.0), ("W/m2/K", 1.0), ("W/(m²·K)", 1.0)]
            }
            Self::Conductance => &[("W/K", 1.0)],
            Self::Resistance => &[("Ω", 1.0), ("ohm", 1.0), ("kΩ", 1e3), ("kohm", 1e3)],
            Self::Number => &[],
        }
    }

    /// Spellings that are refused with a hint, and what was probably meant.
    const fn near_misses(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Self::Temperature | Self::TemperatureDifference => &[
                ("C", "°C"),
                ("c", "°C"),
                ("°c", "°C"),
                ("ºC", "°C"),
                ("℃", "°C"),
                ("deg", "°C"),
                ("°", "°C"),
                ("degc", "°C"),
                ("celsius", "°C"),
                ("F", "°F"),
                ("f", "°F"),
                ("°f", "°F"),
                ("ºF", "°F"),
                ("℉", "°F"),
                ("degf", "°F"),
                ("fahrenheit", "°F"),
                ("k", "K"),
                ("°K", "K"),
            ],
            Self::Rate => &[
                ("C/h", "°C/h"),
                ("c/h", "°C/h"),
                ("ºC/h", "°C/h"),
                ("°C/hr", "°C/h"),
                ("C/hr", "°C/h"),
                ("°C/hour", "°C/h"),
                ("°C/H", "°C/h"),
                ("°C", "°C/h"),
                ("C", "°C/h"),
                ("F/h", "°F/h"),
                ("F/hr", "°F/h"),
                ("°F/hr", "°F/h"),
                ("°F/hour", "°F/h"),
                ("°F", "°F/h"),
                ("F", "°F/h"),
                ("K", "K/h"),
                ("C/min", "°C/min"),
                ("°C/m", "°C/min"),
                ("°C/s", "°C/min"),
            ],
            Self::Span => &[
                ("m", "min"),
                ("mins", "min"),
                ("minute", "min"),
                ("minutes", "min"),
                ("Min", "min"),
                ("sec", "s"),
                ("secs", "s"),
                ("second", "s"),
                ("seconds", "s"),
                ("S", "s"),
                ("H", "h"),
                ("hr", "h"),
                ("hrs", "h"),
                ("hour", "h"),
                ("hours", "h"),
                ("msec", "ms"),
                ("day", "d"),
                ("days", "d"),
            ],
            Self::ProbeVoltage => &[("mv", "mV"), ("MV", "mV"), ("uv", "µV"), ("V", "mV"), ("v", "mV"), ("μV", "µV")],
            Self::Voltage => &[("v", "V"), ("volt", "V"), ("volts", "V"), ("Vac", "V"), ("VAC", "V")],
            Self::Power => &[("w", "W"), ("kw", "kW"), ("KW", "kW"), ("watt", "W"), ("watts", "W"), ("kWh", "kW")],
            Self::Current => &[("a", "A"), ("amp", "A"), ("amps", "A")],
            Self::Percent => &[("percent", "%"), ("pct", "%")],
            Self::Length => &[("MM", "mm"), ("M", "m"), ("metre", "m"), ("metres", "m"), ("min", "m")],
            Self::Area => &[("m^2", "m²"), ("sqm", "m²"), ("m", "m²")],
            Self::Mass => &[("Kg", "kg"), ("KG", "kg"), ("kgs", "kg"), ("K", "kg")],
            Self::Density => &[("kg/m^3", "kg/m³"), ("kg", "kg/m³")],
            Self::Conductivity => &[("W/K", "W/mK"), ("W/m·K", "W/mK"), ("W/(mK)", "W/mK")],
            Self::SpecificHeat => &[("J/K", "J/kgK"), ("J/kg·K", "J/kgK"), ("J/(kgK)", "J/kgK")],
            Self::HeatCapacity => &[("j/K", "J/K"), ("J", "J/K")],
            Self::HeatTransfer => &[("W/K", "W/m²K"), ("W/m^2K", "W/m²K"), ("W/m²·K", "W/m²K")],
            Self::Conductance => &[("W", "W/K"), ("w/K", "W/K")],
            Self::Resistance => &[("Ohm", "Ω"), ("ohms", "Ω"), ("Ω", "Ω"), ("R", "Ω")],
            Self::Number => &[],
        }
    }
}

/// The unit of that spelling in a dimension.
pub(super) fn unit_named(dimension: Dimension, spelling: &str) -> Option<Unit> {
    let &(name, factor) = dimension.spellings().iter().find(|(name, _)| *name == spelling)?;
    let offset = match (dimension, name) {
        (Dimension::Temperature, "°F" | "degF") => -32.0 * 5.0 / 9.0,
        (Dimension::Temperature, "K") => -273.15,
        _ => 0.0,
    };
    Some(Unit { factor, offset })
}

/// What was probably meant by a spelling that is no unit of the dimension.
pub(super) fn near_miss(dimension: Dimension, spelling: &str) -> Option<&'static str> {
    dimension.near_misses().iter().find(|(miss, _)| *miss == spelling).map(|(_, meant)| *meant)
}
