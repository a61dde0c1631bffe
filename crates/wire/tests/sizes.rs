//! What a range costs on the USB, counted with the real encoder.

use wire::{BLOCK, Data, Reply, Request, Sequence, encode};

const CHIP: usize = 16 << 20;
const MODE: wire::ReadMode = wire::ReadMode { opcode: 0x0B, address_bytes: 3, dummy_bytes: 1, data_lines: 1 };

/// Returns all bytes that pass, in both directions, when `blocks` are read in ranges of 1 MiB.
fn read_bytes(blocks: impl Iterator<Item = Vec<u8>>) -> usize {
    let mut out = [0; wire::MAX_FRAME];
    let mut sequence = Sequence::new();
    let (mut bytes, mut before): (usize, Option<Vec<u8>>) = (0, None);
    for (count, block) in blocks.enumerate() {
        if count % 256 == 0 {
            let at = u32::try_from(count * BLOCK).unwrap();
            bytes +=
                encode(&mut out, 1, sequence.take(), &Request::ReadRange { at, len: 1 << 20, mode: MODE }).unwrap();
            bytes += encode(&mut out, 1, sequence.take(), &Reply::Read { len: 1 << 20 }).unwrap();
            before = None;
        }
        bytes += Data::shortest(&block, before.as_deref()).encode(&mut out, 1, sequence.take()).unwrap();
        before = Some(block);
    }
    bytes
}

fn full(number: usize) -> Vec<u8> {
    (0..BLOCK).map(|at| (at.wrapping_mul(31) ^ number) as u8).collect()
}

#[test]
fn payload_is_at_least_97_percent_of_a_read() {
    let bytes = read_bytes((0..CHIP / BLOCK).map(full));
    let share = CHIP as f64 / bytes as f64;
    println!("16 MiB without blank space: {bytes} bytes on the USB, {:.2} % payload", share * 100.0);
    assert!(share >= 0.97);
}

#[test]
fn a_half_blank_chip_moves_at_most_8_3_mib() {
    let bytes =
        read_bytes((0..CHIP / BLOCK).map(|number| if number % 2 == 0 { vec![0xFF; BLOCK] } else { full(number) }));
    println!("16 MiB, every other block blank: {bytes} bytes on the USB");
    assert!(bytes as f64 <= 8.3 * f64::from(1 << 20));
}

#[test]
fn a_digest_of_16_mib_moves_at_most_32_kib() {
    let mut out = [0; wire::MAX_FRAME];
    let mut bytes = 0;
    for at in 0..16u32 {
        bytes += encode(&mut out, 1, 1, &Request::DigestRange { at: at << 20, len: 1 << 20, mode: MODE }).unwrap();
        bytes += Data::Bytes(&[0x5A; 256 * 4]).encode(&mut out, 1, 1).unwrap();
        bytes += encode(&mut out, 1, 1, &Reply::Digests { count: 256 }).unwrap();
    }
    println!("digest of 16 MiB: {bytes} bytes on the USB");
    assert!(bytes <= 32 << 10);
}
