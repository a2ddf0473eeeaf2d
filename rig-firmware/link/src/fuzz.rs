//! An entry for fuzzers: any bytes, and the laws that must hold for them.

use crate::frame::{Accumulator, Fed, MAX_FRAME};
use crate::{HostEndpoint, LinkTime, RigEndpoint};

/// Most frames that are compared between the two ways of chunking.
const COMPARED: usize = 64;

/// Feeds `bytes` to an accumulator in one piece and one by one, and to both ends
/// of a link. The first byte chooses the size of the pieces that the ends get.
///
/// # Panics
/// If chunking changes what comes out, or if any part panics: a mistake here.
pub fn any_bytes(bytes: &[u8]) {
    let mut whole = heapless::Vec::<u32, COMPARED>::new();
    let mut single = heapless::Vec::<u32, COMPARED>::new();
    collect(&mut Accumulator::new(), bytes, &mut whole);
    let mut accumulator = Accumulator::new();
    for byte in bytes {
        collect(&mut accumulator, core::slice::from_ref(byte), &mut single);
    }
    assert_eq!(whole, single, "chunking changes what comes out");

    let piece = usize::from(bytes.first().copied().unwrap_or(0)) + 1;
    let (mut host, mut rig) = (HostEndpoint::host(), RigEndpoint::rig(7));
    host.open(1);
    let mut now = LinkTime::ZERO;
    let mut buffer = [0u8; MAX_FRAME];
    for piece in bytes.chunks(piece) {
        now = now + 5_000;
        host.handle_bytes(now, piece);
        rig.handle_bytes(now, piece);
        while host.poll_message().is_some() {}
        while rig.poll_message().is_some() {}
        while host.poll_transmit(now, &mut buffer).is_some() {}
        while rig.poll_transmit(now, &mut buffer).is_some() {}
    }
}

/// One number for each thing that comes out: the checksum of a frame's payload, or 1 for damage.
fn collect(accumulator: &mut Accumulator, bytes: &[u8], out: &mut heapless::Vec<u32, COMPARED>) {
    let mut rest = bytes;
    loop {
        let (number, more) = match accumulator.feed(rest) {
            Fed::Pending => return,
            Fed::Frame { frame, rest } => (crate::crc32(frame.payload), rest),
            Fed::Damaged { rest, .. } => (1, rest),
        };
        // Beyond the limit nothing is compared.
        let _ = out.push(number);
        rest = more;
    }
}
