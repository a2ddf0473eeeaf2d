//! What survives a supply cut, and how it is kept so that a torn write is seen.
//!
//! Two slots are written in turn, each with a sequence number and a checksum
//! (CRC-32/ISO-HDLC) at its end. A write that the supply cut interrupts damages
//! the older slot only, so what comes back is the old state or the new one and
//! never a mix. `docs/stand-in.md` lists the bytes.

use crc::{CRC_32_ISO_HDLC, Crc, Table};

use crate::program::MAX_SEGMENTS;
use crate::{Defect, Defects, MAX_ZONES, Program, Segment, Settings, Trip};

const SEGMENT_BYTES: usize = 9;
const HEAD_BYTES: usize = 38;
const BODY_BYTES: usize = HEAD_BYTES + MAX_SEGMENTS * SEGMENT_BYTES;

/// Bytes of one slot.
pub const SLOT_BYTES: usize = BODY_BYTES + 4;

const VERSION: u8 = 1;
/// Most restarts that can be told apart.
const MOST_STORED: u8 = 0x7f;
const NO_ZONE: u8 = 0xff;
const ERASED: u8 = 0xff;
/// Sixteen bytes at a time: 16 kB of flash, and a quarter of the time.
static CHECKSUM: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);

/// The non-volatile memory as the board keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MemoryImage {
    /// The two slots.
    pub slots: [[u8; SLOT_BYTES]; 2],
}

/// One slot to be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Save {
    /// Which slot, 0 or 1.
    pub slot: usize,
    /// What to write.
    pub bytes: [u8; SLOT_BYTES],
}

impl MemoryImage {
    /// As it comes from the maker: erased.
    pub const BLANK: MemoryImage = MemoryImage { slots: [[ERASED; SLOT_BYTES]; 2] };

    /// Memory that holds this state.
    pub fn holding(stored: &Stored) -> Self {
        let mut image = MemoryImage::BLANK;
        image.slots[0] = stored.encode(1);
        image
    }

    /// Writes the first `written` bytes of a save; fewer than all if the supply
    /// went away meanwhile.
    pub fn write(&mut self, save: &Save, written: usize) {
        let written = written.min(SLOT_BYTES);
        if let Some(slot) = self.slots.get_mut(save.slot) {
            slot[..written].copy_from_slice(&save.bytes[..written]);
        }
    }
}

/// Whether a firing is under way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum StoredState {
    /// None is.
    #[default]
    Idle,
    /// One is, and may go on after a supply cut.
    Firing,
}

/// Everything that is kept across a supply cut.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Stored {
    /// Whether a firing is under way.
    pub state: StoredState,
    /// The latched fault.
    pub trip: Option<Trip>,
    /// Each zone's last believed reading, thousandths of a degree Celsius.
    pub readings_millicelsius: [i32; MAX_ZONES],
    /// Index of the running segment.
    pub segment: u8,
    /// Set-point, thousandths of a degree Celsius.
    pub set_point_millicelsius: i32,
    /// Time held in the running hold.
    pub held_ms: u32,
    /// How long the firing has lasted.
    pub firing_ms: u32,
    /// How often it went on after a restart without coming to rest, at most 127.
    pub restarts: u8,
    /// The program; without segments if none was ever set.
    pub program: Program,
}

/// Why nothing came back from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RestoreError {
    /// Nothing was ever written.
    Blank,
    /// What was written is damaged.
    Damaged,
}

impl Stored {
    /// The bytes of a slot.
    pub fn encode(&self, sequence: u32) -> [u8; SLOT_BYTES] {
        let mut bytes = [0; SLOT_BYTES];
        bytes[0..4].copy_from_slice(&sequence.to_le_bytes());
        bytes[4] = VERSION;
        bytes[5] = u8::from(self.state == StoredState::Firing) | self.restarts.min(MOST_STORED) << 1;
        bytes[6] = self.trip.map_or(0, Trip::code);
        bytes[7] = self.trip.and_then(|trip| trip.zone).unwrap_or(NO_ZONE);
        for (place, reading) in bytes[8..24].chunks_exact_mut(4).zip(self.readings_millicelsius) {
            place.copy_from_slice(&reading.to_le_bytes());
        }
        bytes[24] = self.segment;
        bytes[25] = self.program.segments().len() as u8;
        bytes[26..30].copy_from_slice(&self.set_point_millicelsius.to_le_bytes());
        bytes[30..34].copy_from_slice(&self.held_ms.to_le_bytes());
        bytes[34..38].copy_from_slice(&self.firing_ms.to_le_bytes());
        for (place, segment) in bytes[HEAD_BYTES..].chunks_exact_mut(SEGMENT_BYTES).zip(self.program.segments()) {
            let (kind, first, second) = match *segment {
                Segment::Ramp { rate_millicelsius_per_hour, to_millicelsius } => {
                    (1, rate_millicelsius_per_hour as u32, to_millicelsius as u32)
                }
                Segment::Hold { length_ms } => (2, length_ms, 0),
            };
            place[0] = kind;
            place[1..5].copy_from_slice(&first.to_le_bytes());
            place[5..9].copy_from_slice(&second.to_le_bytes());
        }
        let checksum = CHECKSUM.checksum(&bytes[..BODY_BYTES]);
        bytes[BODY_BYTES..].copy_from_slice(&checksum.to_le_bytes());
        bytes
    }

    /// What a slot holds, and its sequence number.
    ///
    /// # Errors
    /// If nothing was written there, or what was is damaged or asks for what
    /// these settings do not allow.
    pub fn decode(bytes: &[u8; SLOT_BYTES], settings: &Settings) -> Result<(u32, Stored), RestoreError> {
        Stored::decode_with(bytes, settings, Defects::NONE)
    }

    fn decode_with(
        bytes: &[u8; SLOT_BYTES],
        settings: &Settings,
        defects: Defects,
    ) -> Result<(u32, Stored), RestoreError> {
        if bytes.iter().all(|byte| *byte == ERASED) {
            return Err(RestoreError::Blank);
        }
        let checksum = CHECKSUM.checksum(&bytes[..BODY_BYTES]);
        let torn = word(bytes, BODY_BYTES) != checksum && !defects.has(Defect::TornSaveBelieved);
        if torn || bytes[4] != VERSION {
            return Err(RestoreError::Damaged);
        }
        let trip = match bytes[6] {
            0 => None,
            code => {
                let zone = (bytes[7] != NO_ZONE).then_some(bytes[7]);
                Some(Trip::from_code(code, zone).ok_or(RestoreError::Damaged)?)
            }
        };
        let mut readings_millicelsius = [0; MAX_ZONES];
        for (zone, reading) in readings_millicelsius.iter_mut().enumerate() {
            *reading = word(bytes, 8 + 4 * zone) as i32;
        }
        let stored = Stored {
            state: if bytes[5] & 1 == 1 { StoredState::Firing } else { StoredState::Idle },
            trip,
            readings_millicelsius,
            segment: bytes[24],
            set_point_millicelsius: word(bytes, 26) as i32,
            held_ms: word(bytes, 30),
            firing_ms: word(bytes, 34),
            restarts: bytes[5] >> 1,
            program: decode_program(bytes, settings, defects)?,
        };
        Ok((word(bytes, 0), stored))
    }
}

fn decode_program(bytes: &[u8; SLOT_BYTES], settings: &Settings, defects: Defects) -> Result<Program, RestoreError> {
    let count = usize::from(bytes[25]);
    if count == 0 {
        return Ok(Program::default());
    }
    let mut segments = heapless::Vec::<Segment, MAX_SEGMENTS>::new();
    for index in 0..count.min(MAX_SEGMENTS + 1) {
        let place = HEAD_BYTES + index * SEGMENT_BYTES;
        let segment = match bytes.get(place) {
            Some(1) => Segment::Ramp {
                rate_millicelsius_per_hour: word(bytes, place + 1) as i32,
                to_millicelsius: word(bytes, place + 5) as i32,
            },
            Some(2) => Segment::Hold { length_ms: word(bytes, place + 1) },
            _ => return Err(RestoreError::Damaged),
        };
        segments.push(segment).map_err(|_| RestoreError::Damaged)?;
    }
    Program::from_segments_with(&segments, settings.hottest_program_millicelsius(), defects)
        .map_err(|_| RestoreError::Damaged)
}

fn word(bytes: &[u8; SLOT_BYTES], place: usize) -> u32 {
    let mut word = [0; 4];
    for (to, from) in word.iter_mut().zip(bytes.iter().skip(place)) {
        *to = *from;
    }
    u32::from_le_bytes(word)
}

/// Which slot is written next, and with which number.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SlotOrder {
    next_slot: usize,
    next_sequence: u32,
}

impl SlotOrder {
    /// Reads the newest state that is whole.
    pub(crate) fn restore(
        image: &MemoryImage,
        settings: &Settings,
        defects: Defects,
    ) -> (SlotOrder, Result<Stored, RestoreError>) {
        let [first, second] = [0, 1].map(|slot| Stored::decode_with(&image.slots[slot], settings, defects));
        let newest = |slot: usize, (sequence, stored): (u32, Stored)| {
            (SlotOrder { next_slot: 1 - slot, next_sequence: sequence.wrapping_add(1) }, Ok(stored))
        };
        match (first, second) {
            (Ok(first), Ok(second)) if second.0.wrapping_sub(first.0) as i32 > 0 => newest(1, second),
            (Ok(first), _) => newest(0, first),
            (Err(_), Ok(second)) => newest(1, second),
            (Err(RestoreError::Blank), Err(RestoreError::Blank)) => (SlotOrder::fresh(), Err(RestoreError::Blank)),
            (Err(_), Err(_)) => (SlotOrder::fresh(), Err(RestoreError::Damaged)),
        }
    }

    fn fresh() -> Self {
        SlotOrder { next_slot: 0, next_sequence: 1 }
    }

    pub(crate) fn save(&mut self, stored: &Stored) -> Save {
        let save = Save { slot: self.next_slot, bytes: stored.encode(self.next_sequence) };
        self.next_slot = 1 - self.next_slot;
        self.next_sequence = self.next_sequence.wrapping_add(1);
        save
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::{ProbeFault, TripKind};

    fn stored(set_point: i32) -> Stored {
        Stored {
            state: StoredState::Firing,
            trip: Some(Trip { kind: TripKind::Probe(ProbeFault::Open), zone: Some(1) }),
            readings_millicelsius: [1, -2, 3, 1_234_567],
            segment: 1,
            set_point_millicelsius: set_point,
            held_ms: 7,
            firing_ms: 3_600_000,
            restarts: 5,
            program: Program::parse("150 C/h to 1000 C; hold 20 min", 1_295_000).expect("a good program"),
        }
    }

    #[test]
    fn what_is_stored_comes_back() {
        let bytes = stored(512_000).encode(9);
        assert_eq!(Stored::decode(&bytes, &Settings::default()), Ok((9, stored(512_000))));
    }

    #[test]
    fn the_checksum_is_that_of_the_public_catalogue() {
        // CRC-32/ISO-HDLC, check value of the CRC RevEng catalogue.
        assert_eq!(CHECKSUM.checksum(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn every_single_flipped_bit_is_seen() {
        let good = stored(512_000).encode(9);
        for bit in 0..SLOT_BYTES * 8 {
            let mut bytes = good;
            bytes[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Stored::decode(&bytes, &Settings::default()), Err(RestoreError::Damaged), "bit {bit}");
        }
    }

    #[test]
    fn a_write_torn_at_any_byte_gives_the_old_state_or_the_new_one() {
        let settings = Settings::default();
        for written in 0..=SLOT_BYTES {
            let mut image = MemoryImage::holding(&stored(400_000));
            let (mut order, old) = SlotOrder::restore(&image, &settings, Defects::NONE);
            assert_eq!(old, Ok(stored(400_000)));
            image.write(&order.save(&stored(500_000)), written);
            let (_, restored) = SlotOrder::restore(&image, &settings, Defects::NONE);
            let expected = if written == SLOT_BYTES { 500_000 } else { 400_000 };
            assert_eq!(restored, Ok(stored(expected)), "{written} bytes written");
        }
    }

    #[test]
    fn the_newer_slot_is_taken_also_when_the_sequence_number_wraps() {
        let mut image = MemoryImage::BLANK;
        image.slots[0] = stored(1_000).encode(u32::MAX);
        image.slots[1] = stored(2_000).encode(0);
        let (_, restored) = SlotOrder::restore(&image, &Settings::default(), Defects::NONE);
        assert_eq!(restored, Ok(stored(2_000)));
    }

    #[test]
    fn blank_and_damaged_memory_are_told_apart() {
        let settings = Settings::default();
        assert_eq!(SlotOrder::restore(&MemoryImage::BLANK, &settings, Defects::NONE).1, Err(RestoreError::Blank));
        let mut torn = MemoryImage::BLANK;
        torn.write(&Save { slot: 0, bytes: stored(1).encode(1) }, 60);
        assert_eq!(SlotOrder::restore(&torn, &settings, Defects::NONE).1, Err(RestoreError::Damaged));
    }

    #[test]
    fn a_stored_program_hotter_than_the_settings_allow_is_damage() {
        let bytes = stored(512_000).encode(1);
        let cooler = Settings { top_millicelsius: 900_000, ..Settings::default() };
        assert_eq!(Stored::decode(&bytes, &cooler), Err(RestoreError::Damaged));
    }

    proptest! {
        #![proptest_config(crate::test_config(256))]

        #[test]
        fn no_bytes_make_decoding_panic(noise in proptest::collection::vec(any::<u8>(), SLOT_BYTES), fix in any::<bool>()) {
            let mut bytes = [0; SLOT_BYTES];
            bytes.copy_from_slice(&noise);
            bytes[4] = VERSION;
            if fix {
                let checksum = CHECKSUM.checksum(&bytes[..BODY_BYTES]);
                bytes[BODY_BYTES..].copy_from_slice(&checksum.to_le_bytes());
            }
            let _ = Stored::decode(&bytes, &Settings::default());
        }
    }
}
