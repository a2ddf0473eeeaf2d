//! Thermal model of kiln, load and elements.
//!
//! - [`KilnDescription`]: what the kiln is made of, checked;
//! - [`Circuit`]: through which relays current reaches its elements;
//! - [`Kiln`]: the model in motion.
//!
//! Equations, sources and what is left out stand in `docs/kiln-model.md`.

mod circuit;
mod description;
mod kiln;
mod model;
mod three_ring;

pub use circuit::{Circuit, CircuitError, RelayFault, ZonePath};
pub use description::{
    Conductivity, DescriptionError, Element, KilnDescription, Layer, Lid, Limits, Load, Material, Outside, Probe,
    SpecificHeat, Zone, ZoneCoupling,
};
pub use kiln::{Kiln, KilnError, StartProfile, StartState};
pub use three_ring::three_ring;
