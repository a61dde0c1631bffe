#![no_main]

use libfuzzer_sys::fuzz_target;
use wire::{Data, Decoder, Reply, Request, encode};

// One input serves both sides: a stream in pieces, each byte of `sizes` the length of one.
fuzz_target!(|input: (&[u8], &[u8])| {
    let (stream, sizes) = input;
    let (mut decoder, mut rest, mut passed) = (Decoder::new(), stream, 0);
    for size in sizes.iter().map(|&size| usize::from(size)).chain([usize::MAX]) {
        let (mut piece, behind) = rest.split_at(size.min(rest.len()));
        rest = behind;
        loop {
            match decoder.feed(&mut piece) {
                Ok(None) => break,
                Err(_) => passed += wire::HEADER,
                Ok(Some(frame)) => {
                    passed += wire::HEADER + frame.payload.len() + wire::TRAILER;
                    let mut out = [0; wire::MAX_FRAME];
                    if let Ok(request) = frame.message::<Request>() {
                        if let Request::EraseList { blocks, .. } = request {
                            assert!(!blocks.is_sound() || blocks.iter().count() <= wire::MAX_BLOCKS);
                        }
                        encode(&mut out, frame.request, frame.sequence, &request).expect("it came in a frame");
                    }
                    if let Ok(reply) = frame.message::<Reply>() {
                        encode(&mut out, frame.request, frame.sequence, &reply).expect("it came in a frame");
                    }
                    if let Ok(data) = Data::of(&frame) {
                        data.encode(&mut out, frame.request, frame.sequence).expect("it came in a frame");
                    }
                }
            }
        }
        assert!(piece.is_empty());
    }
    while decoder.is_inside() {
        decoder.give_up();
        while let Ok(Some(_)) | Err(_) = decoder.feed(&mut &[][..]) {}
    }
    assert!(passed + decoder.dropped() as usize >= stream.len() && passed <= stream.len());
});
