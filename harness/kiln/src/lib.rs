//! Thermal model of kiln, load and elements.
