//! CRC-32/ISO-HDLC over header and payload.

use crc::{CRC_32_ISO_HDLC, Crc, Digest, Table};

static CRC: Crc<u32, Table<1>> = Crc::<u32, Table<1>>::new(&CRC_32_ISO_HDLC);

/// CRC-32/ISO-HDLC: polynomial 0x04C11DB7, reflected, initial value and final
/// exclusive-or 0xFFFFFFFF.
pub fn crc32(bytes: &[u8]) -> u32 {
    CRC.checksum(bytes)
}

/// The same over bytes that come in pieces.
pub(crate) fn crc32_digest() -> Digest<'static, u32, Table<1>> {
    CRC.digest()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    // "123456789" is the check value of the CRC catalogue's entry CRC-32/ISO-HDLC;
    // the others were computed with zlib's crc32.
    #[rstest]
    #[case(b"123456789", 0xCBF4_3926)]
    #[case(b"", 0x0000_0000)]
    #[case(b"\x00", 0xD202_EF8D)]
    #[case(b"a", 0xE8B7_BE43)]
    #[case(b"\xFF\xFF\xFF\xFF", 0xFFFF_FFFF)]
    fn the_published_check_values_come_out(#[case] bytes: &[u8], #[case] expected: u32) {
        assert_eq!(crc32(bytes), expected);
        let mut digest = crc32_digest();
        let (front, back) = bytes.split_at(bytes.len() / 2);
        digest.update(front);
        digest.update(back);
        assert_eq!(digest.finalize(), expected);
    }

    // Residue 0xDEBB20E3 of the CRC catalogue (from memory), after the final exclusive-or.
    #[test]
    fn a_frame_with_its_own_checksum_leaves_the_residue() {
        let mut with_sum = [0u8; 13];
        with_sum[..9].copy_from_slice(b"123456789");
        with_sum[9..].copy_from_slice(&crc32(b"123456789").to_le_bytes());
        assert_eq!(crc32(&with_sum), 0xDEBB_20E3 ^ 0xFFFF_FFFF);
    }
}
