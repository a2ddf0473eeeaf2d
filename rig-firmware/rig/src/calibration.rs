//! What a board's channels were measured to give, kept in the last page of its flash.
//!
//! Words of 32 bits, little endian: the mark `DFK1`; the date as a number, year · 10,000 + month ·
//! 100 + day; the instrument's name, 16 bytes of UTF-8 filled up with zeros; for each of three
//! channels the voltage at code 0, the voltage between code 0 and code 65,535, and the expanded
//! uncertainty of both, all in nanovolts; the CRC-32/ISO-HDLC of everything before.

use dryfire_link::{CALIBRATION_PAGE, CalibrationState, crc32};

use crate::ChannelScale;

/// Channels of the page.
pub const CALIBRATED_CHANNELS: usize = 3;
/// Bytes of the page that count.
pub const CALIBRATION_BYTES: usize = 4 + 4 + INSTRUMENT + CALIBRATED_CHANNELS * 12 + 4;

const _: () = assert!(CALIBRATION_BYTES == CALIBRATION_PAGE);

const MARK: [u8; 4] = *b"DFK1";
const INSTRUMENT: usize = 16;

/// A measured board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Calibration {
    /// Year · 10,000 + month · 100 + day.
    pub date: u32,
    /// What it was measured with; UTF-8, filled up with zeros.
    pub instrument: [u8; INSTRUMENT],
    /// What each channel gives.
    pub scales: [ChannelScale; CALIBRATED_CHANNELS],
    /// Expanded uncertainty of each channel's voltage.
    pub uncertainty_nanovolts: [u32; CALIBRATED_CHANNELS],
}

/// The page was written and is damaged, or holds what no board can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DamagedCalibration;

impl Calibration {
    /// Reads a page; `None` if it was never written.
    ///
    /// # Errors
    /// It was written and is damaged, or holds what these parts cannot give.
    pub fn decode(page: &[u8; CALIBRATION_BYTES]) -> Result<Option<Self>, DamagedCalibration> {
        if page.iter().all(|byte| *byte == 0xff) {
            return Ok(None);
        }
        let word = |place: usize| -> u32 {
            page[place..place + 4].iter().rev().fold(0, |word, byte| word << 8 | u32::from(*byte))
        };
        let end = CALIBRATION_BYTES - 4;
        if page[..4] != MARK || word(end) != crc32(&page[..end]) {
            return Err(DamagedCalibration);
        }
        let mut instrument = [0; INSTRUMENT];
        instrument.copy_from_slice(&page[8..8 + INSTRUMENT]);
        let mut scales = [ChannelScale::NOMINAL; CALIBRATED_CHANNELS];
        let mut uncertainty_nanovolts = [0; CALIBRATED_CHANNELS];
        for channel in 0..CALIBRATED_CHANNELS {
            let place = 8 + INSTRUMENT + channel * 12;
            let scale = ChannelScale { lowest_nanovolts: word(place).cast_signed(), span_nanovolts: word(place + 4) };
            if !scale.is_plausible() {
                return Err(DamagedCalibration);
            }
            (scales[channel], uncertainty_nanovolts[channel]) = (scale, word(place + 8));
        }
        Ok(Some(Calibration { date: word(4), instrument, scales, uncertainty_nanovolts }))
    }

    /// The page.
    pub fn encode(&self) -> [u8; CALIBRATION_BYTES] {
        let mut page = [0; CALIBRATION_BYTES];
        page[..4].copy_from_slice(&MARK);
        page[4..8].copy_from_slice(&self.date.to_le_bytes());
        page[8..8 + INSTRUMENT].copy_from_slice(&self.instrument);
        for channel in 0..CALIBRATED_CHANNELS {
            let place = 8 + INSTRUMENT + channel * 12;
            let scale = self.scales[channel];
            page[place..place + 4].copy_from_slice(&scale.lowest_nanovolts.to_le_bytes());
            page[place + 4..place + 8].copy_from_slice(&scale.span_nanovolts.to_le_bytes());
            page[place + 8..place + 12].copy_from_slice(&self.uncertainty_nanovolts[channel].to_le_bytes());
        }
        let end = CALIBRATION_BYTES - 4;
        let checksum = crc32(&page[..end]);
        page[end..].copy_from_slice(&checksum.to_le_bytes());
        page
    }

    /// What the host is told of it.
    pub fn state(page: &Result<Option<Self>, DamagedCalibration>) -> CalibrationState {
        match page {
            Ok(None) => CalibrationState::Missing,
            Err(DamagedCalibration) => CalibrationState::Damaged,
            Ok(Some(calibration)) => CalibrationState::Stored {
                date: calibration.date,
                uncertainty_nanovolts: calibration.uncertainty_nanovolts.iter().copied().max().unwrap_or(0),
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured() -> Calibration {
        let scale = |lowest_nanovolts, span_nanovolts| ChannelScale { lowest_nanovolts, span_nanovolts };
        Calibration {
            date: 20_261_125,
            instrument: *b"6.5 digit meter\0",
            scales: [scale(-10_012_345, 90_050_000), scale(-9_990_000, 89_940_000), ChannelScale::NOMINAL],
            uncertainty_nanovolts: [3_000, 4_000, 3_500],
        }
    }

    #[test]
    fn what_is_written_comes_back_and_the_host_is_told_the_largest_uncertainty() {
        let found = Calibration::decode(&measured().encode());
        assert_eq!(found, Ok(Some(measured())));
        let told = CalibrationState::Stored { date: 20_261_125, uncertainty_nanovolts: 4_000 };
        assert_eq!(Calibration::state(&found), told);
    }

    #[test]
    fn a_page_never_written_is_no_calibration() {
        let found = Calibration::decode(&[0xff; CALIBRATION_BYTES]);
        assert_eq!(found, Ok(None));
        assert_eq!(Calibration::state(&found), CalibrationState::Missing);
    }

    #[test]
    fn every_single_flipped_bit_is_seen() {
        for bit in 0..CALIBRATION_BYTES * 8 {
            let mut page = measured().encode();
            page[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(Calibration::decode(&page), Err(DamagedCalibration), "bit {bit}");
        }
    }

    #[test]
    fn a_scale_that_the_parts_cannot_have_is_refused() {
        let mut wild = measured();
        wild.scales[1].span_nanovolts = 45_000_000;
        assert_eq!(Calibration::decode(&wild.encode()), Err(DamagedCalibration));
    }
}
