//! Quantities for calculations: an `f64` in the unit that its type names.
//!
//! They keep a watt from being taken for a volt where a kiln is described; the
//! solver itself works on plain numbers inside.

use core::fmt;

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident, $unit:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        pub struct $name(f64);

        impl $name {
            /// The unit, as it is printed.
            pub const UNIT: &'static str = $unit;

            /// The quantity of that size.
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            /// Its size in the unit that the type names.
            pub const fn value(self) -> f64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                f.write_str(" ")?;
                f.write_str($unit)
            }
        }
    )*};
}

quantities! {
    /// A temperature (or, where said so, a difference) in degrees Celsius.
    Celsius, "°C";
    /// A rate of temperature as potters speak of it.
    CelsiusPerHour, "°C/h";
    /// A rate of temperature as the model computes it.
    CelsiusPerSecond, "°C/s";
    /// A thermocouple's voltage.
    Microvolts, "µV";
    /// A supply's voltage, root mean square where alternating.
    Volts, "V";
    /// A current.
    Amperes, "A";
    /// Electrical or thermal power.
    Watts, "W";
    /// Energy.
    Joules, "J";
    /// A length of time, as the model computes with it.
    Seconds, "s";
    /// A length or thickness.
    Metres, "m";
    /// An area.
    SquareMetres, "m²";
    /// A mass.
    Kilograms, "kg";
    /// Density.
    KilogramsPerCubicMetre, "kg/m³";
    /// Thermal conductivity.
    WattsPerMetreKelvin, "W/(m·K)";
    /// A surface heat transfer coefficient.
    WattsPerSquareMetreKelvin, "W/(m²·K)";
    /// A thermal conductance.
    WattsPerKelvin, "W/K";
    /// The heat capacity of a body.
    JoulesPerKelvin, "J/K";
    /// Specific heat capacity.
    JoulesPerKilogramKelvin, "J/(kg·K)";
}

impl CelsiusPerHour {
    /// The same rate for each second.
    pub const fn per_second(self) -> CelsiusPerSecond {
        CelsiusPerSecond(self.0 / 3600.0)
    }
}

impl CelsiusPerSecond {
    /// The same rate for each hour.
    pub const fn per_hour(self) -> CelsiusPerHour {
        CelsiusPerHour(self.0 * 3600.0)
    }
}
