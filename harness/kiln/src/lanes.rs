//! Numbers side by side.

use std::ops::{Deref, DerefMut};

/// As many numbers, one for each place, where the processor can take two or
/// four at a time: aligned so that none of these lies across two lines of its cache.
#[derive(Clone, Copy, Debug)]
#[repr(align(32))]
pub(crate) struct Lanes<const N: usize>(pub(crate) [f64; N]);

impl<const N: usize> Lanes<N> {
    pub(crate) const ZERO: Self = Lanes([0.0; N]);

    /// The same number everywhere.
    pub(crate) const fn all(value: f64) -> Self {
        Lanes([value; N])
    }

    /// Each place's number.
    pub(crate) fn from_fn(of: impl FnMut(usize) -> f64) -> Self {
        Lanes(std::array::from_fn(of))
    }
}

impl<const N: usize> Deref for Lanes<N> {
    type Target = [f64; N];

    #[inline(always)]
    fn deref(&self) -> &[f64; N] {
        &self.0
    }
}

impl<const N: usize> DerefMut for Lanes<N> {
    #[inline(always)]
    fn deref_mut(&mut self) -> &mut [f64; N] {
        &mut self.0
    }
}
