//! The page of configuration that a board keeps beside its program.
//!
//! Eleven words of 32 bits, little endian: the mark `DFC2`, four of defects (bit 0 of the first is the first of
//! [`Defect::ALL`]), top temperature in thousandths of a degree Celsius, longest firing, cycle
//! and tick in milliseconds, number of zones, and the CRC-32/ISO-HDLC of the ten before.

use crc::{CRC_32_ISO_HDLC, Crc};

use crate::{Defect, Defects, Settings};

/// Bytes of the page that count.
pub const CONFIGURATION_BYTES: usize = 44;

const MARK: u32 = u32::from_le_bytes(*b"DFC2");
const CHECKSUM: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);

/// What a board is set to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Configuration {
    /// The declared values.
    pub settings: Settings,
    /// The mistakes that are switched on.
    pub defects: Defects,
}

/// The page holds something that is no configuration: a controller that does not know its
/// limits must not heat.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DamagedConfiguration;

impl Configuration {
    /// Reads a page; one that was never written means the default settings and no defect.
    ///
    /// # Errors
    /// It was written and is damaged, or names a defect that there is not.
    pub fn decode(page: &[u8; CONFIGURATION_BYTES]) -> Result<Self, DamagedConfiguration> {
        if page.iter().all(|byte| *byte == 0xff) {
            return Ok(Configuration { settings: Settings::default(), defects: Defects::NONE });
        }
        let mut words = [0u32; CONFIGURATION_BYTES / 4];
        for (word, bytes) in words.iter_mut().zip(page.chunks_exact(4)) {
            *word = bytes.iter().rev().fold(0, |word, byte| word << 8 | u32::from(*byte));
        }
        let [mark, d0, d1, d2, d3, top, longest, cycle, tick, zones, checksum] = words;
        if mark != MARK || checksum != CHECKSUM.checksum(&page[..CONFIGURATION_BYTES - 4]) {
            return Err(DamagedConfiguration);
        }
        let defects = [d0, d1, d2, d3];
        let mut set = Defects::NONE;
        for place in 0..defects.len() * 32 {
            if defects[place / 32] >> (place % 32) & 1 != 0 {
                set = set.with(*Defect::ALL.get(place).ok_or(DamagedConfiguration)?);
            }
        }
        let settings = Settings {
            top_millicelsius: i32::try_from(top).map_err(|_| DamagedConfiguration)?,
            longest_firing_ms: longest,
            cycle_ms: cycle,
            tick_ms: tick,
            zones: zones as usize,
            ..Settings::default()
        };
        if settings != settings.bounded() {
            return Err(DamagedConfiguration);
        }
        Ok(Configuration { settings, defects: set })
    }

    /// The page.
    pub fn encode(&self) -> [u8; CONFIGURATION_BYTES] {
        let mut defects = [0_u32; 4];
        for (place, _) in Defect::ALL.iter().enumerate().filter(|(_, defect)| self.defects.has(**defect)) {
            defects[place / 32] |= 1 << (place % 32);
        }
        let [d0, d1, d2, d3] = defects;
        let words = [
            MARK,
            d0,
            d1,
            d2,
            d3,
            self.settings.top_millicelsius.unsigned_abs(),
            self.settings.longest_firing_ms,
            self.settings.cycle_ms,
            self.settings.tick_ms,
            self.settings.zones as u32,
        ];
        let mut page = [0; CONFIGURATION_BYTES];
        for (bytes, word) in page.chunks_exact_mut(4).zip(words) {
            bytes.copy_from_slice(&word.to_le_bytes());
        }
        let checksum = CHECKSUM.checksum(&page[..CONFIGURATION_BYTES - 4]);
        page[CONFIGURATION_BYTES - 4..].copy_from_slice(&checksum.to_le_bytes());
        page
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn other() -> Configuration {
        let settings = Settings { top_millicelsius: 1_280_000, longest_firing_ms: 3_600_000, ..Settings::default() };
        Configuration { settings, defects: Defects::only(Defect::LidIgnored).with(Defect::ProgramMadeUp) }
    }

    #[test]
    fn what_is_written_comes_back() {
        assert_eq!(Configuration::decode(&other().encode()), Ok(other()));
    }

    #[test]
    fn the_bytes_are_those_of_the_page_above() {
        // CRC computed with zlib's crc32 over the 40 bytes before it.
        let page = Configuration { settings: Settings::default(), defects: Defects::NONE }.encode();
        assert_eq!(page[..8], [0x44, 0x46, 0x43, 0x32, 0, 0, 0, 0]);
        assert_eq!(page[40..], [0xd0, 0xec, 0x86, 0xfb]);
    }

    #[test]
    fn a_page_never_written_means_the_defaults() {
        let found = Configuration::decode(&[0xff; CONFIGURATION_BYTES]);
        assert_eq!(found, Ok(Configuration { settings: Settings::default(), defects: Defects::NONE }));
    }

    #[test]
    fn every_single_flipped_bit_is_seen() {
        for bit in 0..CONFIGURATION_BYTES * 8 {
            let mut page = other().encode();
            page[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Configuration::decode(&page), Err(DamagedConfiguration), "bit {bit}");
        }
    }

    #[test]
    fn values_that_the_controller_is_not_made_for_are_damage() {
        let mut wild = other();
        wild.settings.zones = 7;
        assert_eq!(Configuration::decode(&wild.encode()), Err(DamagedConfiguration));
    }
}
