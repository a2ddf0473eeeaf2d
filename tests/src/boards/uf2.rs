//! Programs as files that a board takes over USB.

/// Marks of a block, its flag "family id present" and the family of the RP2040, from the public
/// UF2 specification and its list of families.
const MARKS: (u32, u32, u32) = (0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30);
const FAMILY_PRESENT: u32 = 0x2000;
const RP2040: u32 = 0xE48B_FF56;
/// Bytes of the program in each block of 512.
const PAYLOAD: usize = 256;
/// Where flash begins and ends.
const FLASH: std::ops::Range<u32> = 0x1000_0000..0x1100_0000;

fn word(bytes: &[u8], place: usize) -> Option<u32> {
    Some(u32::from_le_bytes(bytes.get(place..place + 4)?.try_into().ok()?))
}

fn half(bytes: &[u8], place: usize) -> Option<u32> {
    Some(u32::from(u16::from_le_bytes(bytes.get(place..place + 2)?.try_into().ok()?)))
}

/// What a 32-bit ELF file puts into flash: address and bytes of each part.
fn parts(elf: &[u8]) -> Option<Vec<(u32, &[u8])>> {
    if elf.get(..5)? != b"\x7fELF\x01" {
        return None;
    }
    let (offset, size, count) = (word(elf, 28)?, half(elf, 42)?, half(elf, 44)?);
    let mut found = Vec::new();
    for number in 0..count {
        let at = (offset + number * size) as usize;
        let (kind, from, address, length) =
            (word(elf, at)?, word(elf, at + 4)?, word(elf, at + 12)?, word(elf, at + 16)?);
        if kind == 1 && length > 0 && FLASH.contains(&address) {
            found.push((address, elf.get(from as usize..(from + length) as usize)?));
        }
    }
    Some(found)
}

/// An ELF file as UF2, and how many bytes of flash it takes.
///
/// # Errors
/// It is no program for this board.
pub fn uf2(elf: &[u8]) -> Result<(Vec<u8>, usize), String> {
    let parts = parts(elf).filter(|parts| !parts.is_empty()).ok_or("no ELF file with a program in flash")?;
    let first = parts.iter().map(|(address, _)| *address).min().unwrap_or(FLASH.start);
    let end = parts.iter().map(|(address, bytes)| address + bytes.len() as u32).max().unwrap_or(first);
    let mut image = vec![0xff; (end - first) as usize];
    for (address, bytes) in parts {
        let place = (address - first) as usize;
        image[place..place + bytes.len()].copy_from_slice(bytes);
    }
    let count = image.len().div_ceil(PAYLOAD) as u32;
    let mut file = Vec::new();
    for (number, payload) in image.chunks(PAYLOAD).enumerate() {
        let address = first + (number * PAYLOAD) as u32;
        let head = [MARKS.0, MARKS.1, FAMILY_PRESENT, address, PAYLOAD as u32, number as u32, count, RP2040];
        let mut block: Vec<u8> = head.iter().flat_map(|word| word.to_le_bytes()).collect();
        block.extend_from_slice(payload);
        block.resize(512 - 4, 0);
        block.extend_from_slice(&MARKS.2.to_le_bytes());
        file.extend_from_slice(&block);
    }
    Ok((file, image.len()))
}
