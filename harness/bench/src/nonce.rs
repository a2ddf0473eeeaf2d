//! Numbers that are not used twice.

use std::collections::hash_map::RandomState;
use std::hash::{BuildHasher as _, Hasher as _};

/// A number for one session or one boot, another one every time; not secret.
pub(crate) fn nonce() -> u32 {
    // The standard library seeds its hasher at random, for each one anew.
    RandomState::new().build_hasher().finish() as u32
}
