//! A byte of a record or of its seal was changed, added or cut off.

use std::fs;

use dryfire_record::{Seal, SealCheck, seal};

use crate::{Numbers, small};

#[test]
fn every_changed_byte_of_a_record_and_of_its_seal_is_found() {
    let (_folder, path) = small();
    let mut bytes = fs::read(&path).expect("a record");
    let sealed = fs::read_to_string(seal::path_of(&path)).expect("a seal");
    let seal = Seal::parse(&sealed).expect("a seal that holds");
    assert_eq!(seal.check(&bytes), SealCheck::Holds);
    let mut numbers = Numbers(7);
    // The header byte by byte, then anywhere.
    let places = (0..100).chain((0..600).map(|_| numbers.next(bytes.len() as u64) as usize)).collect::<Vec<_>>();
    for place in places {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        let SealCheck::Changed { parts } = seal.check(&bytes) else { panic!("byte {place} was not missed") };
        let place_64 = place as u64;
        assert!(parts.len() == 1 && (parts[0].from..parts[0].until).contains(&place_64), "{place}: {parts:?}");
        bytes[place] ^= bit;
    }
    let mut longer = bytes.clone();
    longer.push(0);
    assert!(matches!(seal.check(&longer), SealCheck::Changed { parts } if parts[0].what.contains("added")));
    for cut in [1, 4_095, 4_096, bytes.len() - 1, bytes.len()] {
        let shorter = &bytes[..bytes.len() - cut];
        assert!(
            matches!(seal.check(shorter), SealCheck::Changed { parts } if parts.iter().any(|part| part.what.contains("cut off"))),
            "{cut}"
        );
    }
    // Every byte of the seal.
    let mut raw = sealed.into_bytes();
    for place in 0..raw.len() {
        raw[place] ^= 1 << numbers.next(7);
        let read = std::str::from_utf8(&raw).map_err(|error| error.to_string()).and_then(Seal::parse);
        let broken = match read {
            Err(_) => true,
            // Nothing that is read of it may be what it was and yet have changed.
            Ok(read) => read != seal,
        };
        assert!(broken, "byte {place} of the seal");
        raw = fs::read(seal::path_of(&path)).expect("a seal");
    }
}

#[test]
fn every_byte_of_a_small_record_is_found() {
    let (_folder, path) = small();
    let seal = Seal::parse(&fs::read_to_string(seal::path_of(&path)).expect("a seal")).expect("a seal");
    let mut bytes = fs::read(&path).expect("a record");
    // A change within one page shows in that page's hash alone, so each page is hashed and not the whole.
    let page = seal.page_size as usize;
    let whole = bytes.len();
    let mut numbers = Numbers(11);
    for place in 0..whole {
        let bit = 1 << numbers.next(8);
        bytes[place] ^= bit;
        assert!(seal.page_is_changed(place / page, &bytes), "byte {place}");
        bytes[place] ^= bit;
    }
}
