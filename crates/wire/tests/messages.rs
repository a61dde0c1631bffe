//! Every message as bytes: what was written is read again, and the layout of version 1 stays as it is.

use wire::{
    Block, Blocks, Decoder, Features, Guard, Hello, Limits, LineReport, LineState, MAX_BLOCKS, ReadMode, Refusal,
    Reply, Request, Stop, encode,
};

const GUARD: Guard = Guard { id: &[0xEF, 0x40, 0x18], status: 0, status_mask: 0x7C };
const MODE: ReadMode = ReadMode { opcode: 0x0B, address_bytes: 3, dummy_bytes: 1, data_lines: 1 };

fn payload(message: &impl serde::Serialize) -> Vec<u8> {
    let mut out = [0; wire::MAX_FRAME];
    let len = encode(&mut out, 5, 6, message).unwrap();
    let mut decoder = Decoder::new();
    decoder.feed(&mut &out[..len]).unwrap().unwrap().payload.to_vec()
}

fn read<'a, T: serde::Deserialize<'a>>(payload: &'a [u8]) -> T {
    wire::Frame { kind: wire::Kind::Control, request: 0, sequence: 0, payload }.message().unwrap()
}

/// The bytes are the contract between program and firmware of one version: a change here is a change of [`wire::VERSION`].
#[test]
fn requests_keep_their_bytes() {
    let mut room = [0; 13];
    let blocks =
        Blocks::write(&[Block { at: 0x1000, opcode: 0x20, typical_us: 45_000, limit_us: 400_000 }], &mut room).unwrap();
    let table: [(Request, &str); 14] = [
        (Request::Hello, "00"),
        (Request::Heartbeat, "01"),
        (Request::Cancel, "02"),
        (Request::Release, "03"),
        (Request::Transfer { write: &[0x9F], read: 3 }, "04019f03"),
        (Request::ReadRange { at: 0x10_0000, len: 4096, mode: MODE }, "0580804080200b030101"),
        (Request::DigestRange { at: 0, len: 1 << 24, mode: MODE }, "0600808080080b030101"),
        (
            Request::ProgramRange {
                at: 256,
                len: 256,
                page: 256,
                opcode: 2,
                address_bytes: 3,
                typical_us: 700,
                limit_us: 3000,
                guard: GUARD,
            },
            "078002800280020203bc05b81703ef4018007c",
        ),
        (Request::EraseList { address_bytes: 3, guard: GUARD, blocks }, "080303ef4018007c0d0010000020c8af0000801a0600"),
        (Request::SetClock { hz: 24_000_000 }, "0980ecb80b"),
        (Request::LineTest, "0a"),
        (Request::Watch { every_ms: 100 }, "0b64"),
        (Request::SenseSupply, "0c"),
        (Request::SwitchSupply { on: true }, "0d01"),
    ];
    for (request, bytes) in &table {
        let payload = payload(request);
        let hex: String = payload.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(&hex, bytes, "{request:?}");
        assert_eq!(&read::<Request>(&payload), request);
    }
}

#[test]
fn replies_are_read_as_they_were_written() {
    let line = LineState { pulled_up: true, pulled_down: false, rise_ns: Some(1200), moved: 0b10_0001 };
    let report = LineReport { lines: [line; 6], supply_mv: Some(3300) };
    let hello = Hello {
        firmware: "0.1.0",
        serial: "E66038B713596F2C",
        features: Features::READ_RANGE.and(Features::DUAL),
        limits: Limits {
            max_transfer: 4096,
            max_range: 1 << 20,
            max_blocks: 256,
            clock_min_hz: 100_000,
            clock_max_hz: 31_250_000,
            drive_mv: 3300,
            round_trip_us: 2000,
            bytes_per_second: 1_216_000,
        },
    };
    let replies = [
        Reply::Hello(hello),
        Reply::Beat { running: Some(7), done: 4096 },
        Reply::Released,
        Reply::Read { len: 4096 },
        Reply::Digests { count: 256 },
        Reply::Ran { done: 3, stop: None },
        Reply::Ran { done: 0, stop: Some(Stop::Differs { id: &[0xFF, 0xFF, 0xFF], status: 0xFF }) },
        Reply::Ran { done: 1, stop: Some(Stop::Busy { waited_us: 400_000 }) },
        Reply::Ran { done: 1, stop: Some(Stop::NotEnabled { status: 0x1C }) },
        Reply::Ran { done: 1, stop: Some(Stop::Cancelled) },
        Reply::Ran { done: 1, stop: Some(Stop::HostSilent) },
        Reply::Clock { hz: 20_833_333 },
        Reply::Lines(report),
        Reply::Seen(report),
        Reply::Supply { mv: None, fed: Some(false) },
        Reply::Refused(Refusal::Version { ours: 1 }),
        Reply::Refused(Refusal::OutOfStep { expected: 3, got: 4 }),
        Reply::Refused(Refusal::Busy { running: 2 }),
        Reply::Refused(Refusal::Malformed),
        Reply::Refused(Refusal::Unable { what: "more than 1 MiB at once" }),
        Reply::Refused(Refusal::Supply { mv: 12 }),
    ];
    for reply in &replies {
        assert_eq!(&read::<Reply>(&payload(reply)), reply);
    }
    assert!(hello.features.has(Features::DUAL) && !hello.features.has(Features::DUAL.and(Features::WATCH)));
}

#[test]
fn a_full_erase_list_fits_into_a_frame_and_a_longer_one_is_refused() {
    let block = Block { at: 0xFFFF_F000, opcode: 0x21, typical_us: u32::MAX, limit_us: u32::MAX };
    let mut room = [0; (MAX_BLOCKS + 1) * Blocks::ENTRY];
    let list = vec![block; MAX_BLOCKS];
    let blocks = Blocks::write(&list, &mut room).unwrap();
    let bytes = payload(&Request::EraseList { address_bytes: 4, guard: Guard { id: &[0; 16], ..GUARD }, blocks });
    let Request::EraseList { blocks, .. } = read(&bytes) else { panic!("another request came out") };
    assert!(blocks.is_sound());
    assert_eq!(blocks.iter().collect::<Vec<_>>(), list);
    assert!(Blocks::write(&vec![block; MAX_BLOCKS + 1], &mut room).is_err());
    assert!(Blocks::write(&list, &mut [0; 12]).is_err());
}
