//! Frames under everything that a stream can do to them: cut anywhere, mixed with garbage, bent, lost, doubled.
//!
//! Proptest prints the seed of a failing case and keeps it; `cargo test -p wire` runs it again first.

use proptest::collection::vec;
use proptest::prelude::*;
use wire::{Data, Decoder, Kind, MAX_PAYLOAD, Reply, Request, Sequence, VERSION, WireError, encode, seal};

#[derive(Debug, Clone, PartialEq)]
struct Sent {
    kind: Kind,
    request: u16,
    sequence: u16,
    payload: Vec<u8>,
}

impl Sent {
    fn bytes(&self) -> Vec<u8> {
        let mut out = vec![0; self.payload.len() + 16];
        out[12..12 + self.payload.len()].copy_from_slice(&self.payload);
        assert_eq!(seal(&mut out, self.kind, self.request, self.sequence, self.payload.len()), Ok(out.len()));
        out
    }
}

fn kind() -> impl Strategy<Value = Kind> {
    prop_oneof![Just(Kind::Control), Just(Kind::Bytes), Just(Kind::Fill), Just(Kind::Repeat)]
}

/// Payloads made of the mark's bytes as well, so that false beginnings are common.
fn payload() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        vec(any::<u8>(), 0..80),
        vec(prop_oneof![Just(0xA7u8), Just(0x4E), Just(VERSION), any::<u8>()], 0..80),
        vec(any::<u8>(), MAX_PAYLOAD - 3..=MAX_PAYLOAD),
    ]
}

fn sent() -> impl Strategy<Value = Sent> {
    (kind(), any::<u16>(), any::<u16>(), payload()).prop_map(|(kind, request, sequence, payload)| Sent {
        kind,
        request,
        sequence,
        payload,
    })
}

/// Decodes `stream` in pieces that end at `cuts`.
fn decoded(decoder: &mut Decoder, stream: &[u8], cuts: &[usize]) -> Vec<Result<Sent, WireError>> {
    let mut ends: Vec<usize> = cuts.iter().map(|cut| cut % (stream.len() + 1)).chain([stream.len()]).collect();
    ends.sort_unstable();
    let (mut found, mut from) = (Vec::new(), 0);
    for end in ends {
        let mut piece = &stream[from..end];
        from = end;
        loop {
            match decoder.feed(&mut piece) {
                Ok(None) => break,
                Ok(Some(frame)) => found.push(Ok(Sent {
                    kind: frame.kind,
                    request: frame.request,
                    sequence: frame.sequence,
                    payload: frame.payload.to_vec(),
                })),
                Err(error) => found.push(Err(error)),
            }
        }
    }
    found
}

fn whole(decoder: &mut Decoder, stream: &[u8]) -> Vec<Sent> {
    decoded(decoder, stream, &[]).into_iter().filter_map(Result::ok).collect()
}

proptest! {
    #[test]
    fn frames_come_out_as_they_went_in_however_the_stream_is_cut(frames in vec(sent(), 0..6), cuts in vec(any::<usize>(), 0..12)) {
        let stream: Vec<u8> = frames.iter().flat_map(Sent::bytes).collect();
        let mut decoder = Decoder::new();
        let found = decoded(&mut decoder, &stream, &cuts);
        prop_assert_eq!(found, frames.into_iter().map(Ok).collect::<Vec<_>>());
        prop_assert_eq!(decoder.dropped(), 0);
        prop_assert!(!decoder.is_inside());
    }

    #[test]
    fn garbage_before_and_between_costs_no_frame(
        parts in vec((vec(prop_oneof![Just(0xA7u8), Just(0x4E), any::<u8>()], 0..40), sent()), 1..5),
        cuts in vec(any::<usize>(), 0..12),
    ) {
        let stream: Vec<u8> = parts.iter().flat_map(|(garbage, frame)| [garbage.clone(), frame.bytes()].concat()).collect();
        let garbage: usize = parts.iter().map(|(garbage, _)| garbage.len()).sum();
        let mut decoder = Decoder::new();
        let found = decoded(&mut decoder, &stream, &cuts);
        prop_assert_eq!(found, parts.into_iter().map(|(_, frame)| Ok(frame)).collect::<Vec<_>>());
        prop_assert_eq!(decoder.dropped() as usize, garbage);
    }

    #[test]
    fn a_frame_cut_short_costs_itself_alone(first in sent(), cut in any::<usize>(), next in vec(sent(), 1..3)) {
        let mut stream = first.bytes();
        stream.truncate(cut % stream.len());
        stream.extend(next.iter().flat_map(Sent::bytes));
        let mut decoder = Decoder::new();
        let mut found = whole(&mut decoder, &stream);
        // The other side is quiet now. Each beginning inside of what is left may need one of these.
        while decoder.is_inside() {
            decoder.give_up();
            found.extend(whole(&mut decoder, &[]));
        }
        prop_assert_eq!(found, next);
    }

    #[test]
    fn a_flipped_bit_never_becomes_other_content(frames in vec(sent(), 1..4), at in any::<usize>(), bit in 0..8u8) {
        let mut stream: Vec<u8> = frames.iter().flat_map(Sent::bytes).collect();
        let at = at % stream.len();
        stream[at] ^= 1 << bit;
        let mut decoder = Decoder::new();
        let mut found = whole(&mut decoder, &stream);
        while decoder.is_inside() {
            decoder.give_up();
            found.extend(whole(&mut decoder, &[]));
        }
        // All but the one that was hit, in order.
        let mut ends = 0;
        let expected: Vec<Sent> = frames.into_iter().filter(|frame| {
            let from = ends;
            ends += frame.payload.len() + 16;
            !(from..ends).contains(&at)
        }).collect();
        prop_assert_eq!(found, expected);
    }

    #[test]
    fn a_lost_or_doubled_frame_is_noticed(count in 2..40u16, at in any::<u16>(), doubled in any::<bool>()) {
        let mut out = Sequence::new();
        let mut numbers: Vec<u16> = (0..count).map(|_| out.take()).collect();
        let at = usize::from(1 + at % (count - 1)); // the first is a hello: doubling it does no harm, losing it is below
        if doubled { numbers.insert(at, numbers[at]); } else { numbers.remove(at); }
        let mut into = Sequence::new();
        let results: Vec<_> = numbers.iter().map(|&number| into.accept(number)).collect();
        let first_wrong = if doubled { at + 1 } else { at };
        prop_assert!(results[..first_wrong].iter().all(Result::is_ok));
        prop_assert!(results[first_wrong..].iter().all(Result::is_err));
        prop_assert_eq!(into.accept(0), Ok(()));
    }

    #[test]
    fn anything_at_all_is_survived(stream in vec(any::<u8>(), 0..3000), cuts in vec(any::<usize>(), 0..8)) {
        let mut decoder = Decoder::new();
        for frame in decoded(&mut decoder, &stream, &cuts).into_iter().flatten() {
            let frame = wire::Frame { kind: frame.kind, request: 0, sequence: 0, payload: &frame.payload };
            let _ = (frame.message::<Request>(), frame.message::<Reply>(), Data::of(&frame));
        }
    }

    #[test]
    fn data_come_out_as_they_went_in(block in prop_oneof![vec(any::<u8>(), 1..=4096), (any::<u8>(), 1..=4096usize).prop_map(|(value, len)| vec![value; len])], same in any::<bool>()) {
        let before = same.then(|| block.clone());
        let data = Data::shortest(&block, before.as_deref());
        let mut out = [0; wire::MAX_FRAME];
        let len = data.encode(&mut out, 7, 9).unwrap();
        let mut decoder = Decoder::new();
        let frame = decoder.feed(&mut &out[..len]).unwrap().unwrap();
        prop_assert_eq!((frame.request, frame.sequence), (7, 9));
        match Data::of(&frame).unwrap() {
            Data::Bytes(bytes) => prop_assert_eq!(bytes, &block[..]),
            Data::Fill { value, len } => prop_assert_eq!(vec![value; len as usize], block),
            Data::Repeat { len } => prop_assert_eq!((len as usize, same), (block.len(), true)),
        }
    }
}

#[test]
fn nothing_is_taken_before_a_hello_came() {
    let mut into = Sequence::new();
    assert_eq!(into.accept(1), Err(WireError::OutOfStep { expected: 0, got: 1 }));
    assert_eq!(into.accept(0), Ok(()));
    assert_eq!(into.accept(1), Ok(()));
}

#[test]
fn the_count_goes_round_without_a_second_hello() {
    let (mut out, mut into) = (Sequence::new(), Sequence::new());
    for _ in 0..200_000 {
        into.accept(out.take()).unwrap();
    }
    assert_ne!(out.take(), 0);
}

#[test]
fn another_version_is_told_with_what_to_do_and_what_follows_is_read() {
    let mut out = [0; 100];
    let len = encode(&mut out, 1, 0, &Request::Hello).unwrap();
    let mut newer = out[..len].to_vec();
    newer[2] = VERSION + 1;
    let sum = crc32fast::hash(&newer[..10]).to_le_bytes();
    newer[10..12].copy_from_slice(&sum[..2]);
    let stream = [&newer, &out[..len]].concat();
    let mut decoder = Decoder::new();
    let found = decoded(&mut decoder, &stream, &[3, 15]);
    let error = WireError::Version { theirs: VERSION + 1, ours: VERSION };
    assert_eq!(found.len(), 2);
    assert_eq!(found[0], Err(error));
    assert!(found[1].is_ok());
    assert!(format!("{error}").contains("link install"), "{error}");
    assert!(format!("{}", WireError::Version { theirs: 0, ours: VERSION }).ends_with("with `firmhand link install`"));
}

#[test]
fn a_message_with_something_behind_it_is_none() {
    let mut out = [0; 100];
    encode(&mut out, 1, 0, &Request::SetClock { hz: 1_000_000 }).unwrap();
    let frame = wire::Frame { kind: Kind::Control, request: 1, sequence: 0, payload: &out[12..40] };
    assert_eq!(frame.message::<Request>(), Err(WireError::Malformed { len: 28 }));
    let frame = wire::Frame { kind: Kind::Bytes, ..frame };
    assert_eq!(frame.message::<Request>(), Err(WireError::Kind { kind: 2 }));
}

#[test]
fn what_does_not_fit_is_refused() {
    let long = [0; 200];
    let request = Request::Transfer { write: &long, read: 0 };
    assert_eq!(encode(&mut [0; 100], 1, 0, &request), Err(WireError::Room { room: 84 }));
    assert_eq!(encode(&mut [0; 3], 1, 0, &request), Err(WireError::Room { room: 0 }));
    assert_eq!(seal(&mut [0; 8000], Kind::Bytes, 0, 0, MAX_PAYLOAD + 1), Err(WireError::Room { room: MAX_PAYLOAD }));
    assert!(encode(&mut [0; 8000], 1, 0, &Request::Transfer { write: &[0; wire::MAX_WRITE], read: 0 }).is_ok());
}
