//! Thermal model of kiln, load and elements.
//!
//! - [`KilnDescription`]: what the kiln is made of, checked;
//! - [`Circuit`]: through which relays current reaches its elements;
//! - [`Kiln`]: the model in motion;
//! - [`safety_times`]: how long heat may stay on after a failure.
//!
//! Equations, sources and what is left out stand in `docs/kiln-model.md`.

mod circuit;
mod description;
mod half_cells;
mod heat_work;
mod kiln;
mod lanes;
mod material;
mod model;
mod safety_time;
mod supply;
mod three_ring;
mod wall;

pub use circuit::{Circuit, CircuitError, OldPart, OldPartKind, RelayFault, Unpowered, ZonePath};
pub use description::{
    Conductivity, DescriptionError, Element, KilnDescription, Layer, Lid, Limits, Load, Material, Outside, Probe,
    SpecificHeat, Zone, ZoneCoupling,
};
pub use heat_work::{Climb, Cone, HeatWork, Peak};
pub use kiln::{Kiln, KilnError, StartProfile, StartState};
pub use safety_time::{
    Before, Failure, LoadState, SafetyCase, SafetyError, SafetyGrid, SafetyLimit, SafetyTime, safety_times,
};
pub use supply::{Conductor, SupplySystem};
pub use three_ring::three_ring;
