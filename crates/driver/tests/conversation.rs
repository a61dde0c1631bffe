//! Whole conversations on paper: what is asked, in which order, and what each answer leads to.

mod common;

use common::paper::{Paper, REQUEST_US, converse, opcodes, transfer, transfers_only};
use driver::{DriverError, Op, SizeMeasure, Step};
use nor::chip::{Addressing, Conflict};
use nor::link::{Answer, LinkError, Request};
use nor::sfdp::SfdpError;

const WINDOW: u32 = 64;

fn identify(chip: &Paper) -> (Result<driver::Identity, DriverError>, Vec<Request>, u64) {
    let mut chip = chip.clone();
    converse(driver::identify(&transfers_only()), |request, _| chip.answer(request))
}

/// Tables with one basic table of `words` at `pointer`, and `more` other parameter headers.
fn tables(words: &[u32], pointer: u32, more: u8) -> Vec<u8> {
    let mut bytes = b"SFDP\x06\x01".to_vec();
    bytes.extend([more, 0xFF]);
    let [low, middle, high, _] = pointer.to_le_bytes();
    bytes.extend([0x00, 0x06, 0x01, words.len() as u8, low, middle, high, 0xFF]);
    for _ in 0..more {
        bytes.extend([0x84, 0x00, 0x01, 0x02, 0x00, 0x01, 0x00, 0xFF]);
    }
    bytes.resize(pointer as usize, 0xFF);
    bytes.extend(words.iter().flat_map(|word| word.to_le_bytes()));
    bytes
}

/// Nine words, the first revision of the basic table: 4 KiB by 20h and 64 KiB by D8h, `size` bytes.
fn nine_words(size: u32) -> [u32; 9] {
    [0xFFF1_20E5, size * 8 - 1, 0, 0, 0, 0, 0, 0xD810_200C, 0]
}

#[test]
fn asking_again_changes_nothing() {
    let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    let limits = transfers_only();
    let (mut once, mut often) = (driver::identify(&limits), driver::identify(&limits));
    let (mut now, mut waits, mut requests) = (0, 0, 0);
    let seen = |step: Step<'_, Result<driver::Identity, DriverError>>| format!("{step:?}");
    loop {
        let expected = seen(once.poll(now));
        // A later look at a request moves neither it nor its deadline.
        let looks: &[u64] = match expected.get(..4) {
            Some("Done") => &[],
            Some("Requ") => &[0, 0, 7, 3_000_000],
            _ => &[0, 0, 0],
        };
        for later in looks {
            assert_eq!(seen(often.poll(now + later)), expected);
        }
        match often.poll(now) {
            Step::Request { request, .. } => {
                requests += 1;
                let answer = chip.answer(request).expect("an answer");
                now += REQUEST_US;
                once.handle(now, Ok(answer.clone()));
                often.handle(now, Ok(answer));
            }
            Step::WaitUntil(until) => {
                waits += 1;
                assert!(until > now, "a wait lies ahead");
                assert_eq!(seen(often.poll(until - 1)), format!("WaitUntil({until})"), "too early");
                now = until;
            }
            Step::Done(result) => {
                assert_eq!(seen(Step::Done(result)), expected);
                break;
            }
        }
    }
    assert!(waits > 0 && requests > 20, "{waits} waits, {requests} requests");
}

#[test]
fn identifying_wakes_looks_and_measures_in_this_order() {
    let mut known = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    known.tables = tables(&nine_words(1 << 20), 0x80, 0);
    let (identity, asked, _) = identify(&known);
    assert!(matches!(asked[0], Request::SetClock { hz: driver::IDENTIFY_HZ }));
    assert_eq!(opcodes(&asked), [0xAB, 0x05, 0x9F, 0x5A, 0x05, 0x35, 0x15, 0x4B, 0x03, 0x9F]);
    let identity = identity.expect("a sound chip");
    assert_eq!(identity.unique_id.as_deref(), Some(&[0x40, 0x41, 0x42, 0x43, 0x44, 0x45, 0x46, 0x47][..]));
    assert_eq!((identity.status.as_slice(), identity.size), (&[0, 0, 0][..], SizeMeasure::Measured(1 << 20)));
    assert_eq!(identity.tables.as_ref(), Some(&known.tables));

    let (_, asked, _) = identify(&Paper::new(&[0xC2, 0x20, 0x18], 16 << 20));
    assert_eq!(opcodes(&asked), [0xAB, 0x05, 0x9F, 0x5A, 0x05, 0x03, 0x9F]);
}

#[test]
fn s5_until_the_id_is_known_only_common_opcodes_are_sent() {
    for maker in 0x01..=0xFE {
        for (size, capacity) in [(1 << 20, 0x14), (32 << 20, 0x19)] {
            let mut chip = Paper::new(&[maker, 0x40, capacity], size);
            chip.tables = tables(&nine_words(size), 0x40, 1);
            let (_, asked, _) = identify(&chip);
            let sent: Vec<u8> = asked.iter().filter_map(|request| Some(transfer(request)?.0[0])).collect();
            let known = sent.iter().position(|opcode| *opcode == 0x5A).expect("the tables come after the id");
            assert!(sent[..known].iter().filter(|opcode| **opcode == 0x9F).count() >= 3, "{maker:02x}: {sent:02x?}");
            assert!(sent[..known].iter().all(|opcode| [0xAB, 0x9F, 0x05].contains(opcode)), "{maker:02x}: {sent:02x?}");
            let family = [0x35, 0x15, 0x4B, 0x13, 0x0C].map(|opcode| sent.contains(&opcode));
            // 35h by the maker's habit, 15h and 4Bh on Winbond-like parts, 13h on the large ones of them
            // and on the three that the lists have under these ids with opcodes of four address bytes.
            let (two, three) = (matches!(maker, 0xEF | 0xC8), maker == 0xEF);
            let long = size > 16 << 20 && matches!(maker, 0xEF | 0xC8 | 0x0B | 0x20);
            let expected = [two, three, three, long, false];
            assert_eq!(family, expected, "{maker:02x}, {size} bytes");
        }
    }
}

#[test]
fn s5_a_chip_that_nothing_describes_gets_only_reads() {
    let (identity, asked, _) = identify(&Paper::new(&[0x77, 0x01, 0x02], 2 << 20));
    assert_eq!(opcodes(&asked), [0xAB, 0x05, 0x9F, 0x5A, 0x05, 0x03, 0x9F]);
    let chip = identity.expect("it answers").chip;
    assert_eq!((chip.conflicts.as_slice(), chip.size), (&[Conflict::Undescribed][..], 2 << 20));
}

#[test]
fn tables_are_read_in_steps_and_twice_and_no_further_than_needed() {
    let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    chip.tables = tables(&nine_words(1 << 20), 0x180, 2);
    chip.tables.extend([0x55; 512]);
    let (identity, asked, _) = identify(&chip);
    let reads: Vec<(u32, u32)> = asked
        .iter()
        .filter_map(transfer)
        .filter(|(write, _)| write[0] == 0x5A)
        .map(|(write, read)| (u32::from_be_bytes([0, write[1], write[2], write[3]]), read))
        .collect();
    // The header, the four headers of 8 bytes, then the end of the basic table at 180h + 9 x 4 in pieces of 256 bytes.
    let steps = [(0, 8), (0, 8), (0, 32), (0, 32), (0, 256), (256, 164), (0, 256), (256, 164)];
    assert_eq!(reads, steps);
    assert_eq!(identity.expect("sound tables").tables.expect("tables").len(), 0x180 + 36);
}

#[test]
fn s10_tables_that_claim_too_much_are_kept_as_far_as_they_were_read() {
    let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    chip.tables = tables(&nine_words(1 << 20), 0x40, 0);
    chip.tables[12..15].copy_from_slice(&[0xFF, 0xFF, 0xFF]);
    let (identity, asked, _) = identify(&chip);
    let read: u32 = asked.iter().filter_map(transfer).filter(|(write, _)| write[0] == 0x5A).map(|(_, len)| len).sum();
    assert_eq!(read, 2 * (8 + 16), "header and parameter header, twice each");
    let identity = identity.expect("the id still names the chip");
    assert_eq!(identity.tables.map(|tables| tables.len()), Some(16));
    let claimed = 0xFF_FFFF + 36;
    let text = SfdpError::Far { claimed }.to_string();
    assert!(identity.chip.sources.iter().any(|source| source.contains(&text)), "{:?}", identity.chip.sources);
}

#[test]
fn no_chip_is_told_from_a_bad_contact() {
    for level in [0x00, 0xFF] {
        let floats = |request: &Request, _| {
            Ok(match request {
                Request::SetClock { hz } => Answer::Clock { hz: *hz },
                request => Answer::Bytes(vec![level; transfer(request).map_or(0, |(_, read)| read as usize)]),
            })
        };
        let (result, asked, ended) = converse(driver::identify(&transfers_only()), floats);
        assert!(matches!(result, Err(DriverError::NoChip { ref read }) if *read == [level; 3]), "{result:?}");
        assert_eq!(opcodes(&asked), [0xAB, 0x05, 0x9F]);
        assert!(ended < 1_000, "a floating line is not waited for: {ended} us");
    }
}

/// The `nth` answer to `opcode` has its first bit flipped.
fn with_one_flip(opcode: u8, nth: usize) -> (Result<driver::Identity, DriverError>, usize) {
    let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    chip.tables = tables(&nine_words(1 << 20), 0x80, 0);
    let mut met = 0;
    let (result, ..) = converse(driver::identify(&transfers_only()), |request, _| {
        let mut answer = chip.answer(request)?;
        if transfer(request).is_some_and(|(write, _)| write[0] == opcode) {
            if let Answer::Bytes(bytes) = &mut answer
                && met == nth
            {
                bytes[0] ^= 0x80;
            }
            met += 1;
        }
        Ok(answer)
    });
    (result, met)
}

#[test]
fn one_wrong_answer_in_any_place_is_noticed() {
    // The last id is the look at the end; tables are read twice in three steps.
    for (opcode, name, count) in [(0x9F, "id", 4), (0x5A, "tables", 6), (0x4B, "unique id", 3)] {
        let sound = with_one_flip(opcode, usize::MAX);
        assert_eq!((sound.0.is_ok(), sound.1), (true, count), "{name}");
        for nth in 0..count {
            let (result, _) = with_one_flip(opcode, nth);
            assert!(
                matches!(result, Err(DriverError::Unsteady { what, .. }) if what == name),
                "{name} {nth}: {result:?}"
            );
        }
    }
}

#[test]
fn a_status_may_come_to_rest_but_has_to() {
    for (moving, rests) in [(2, true), (usize::MAX, false)] {
        let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
        let mut met = 0;
        let (result, ..) = converse(driver::identify(&transfers_only()), |request, _| {
            if transfer(request).is_some_and(|(write, _)| write[0] == 0x35) {
                met += 1;
                chip.status[1] = if met <= moving { 0x40 * (met % 2) as u8 } else { 0x02 };
            }
            chip.answer(request)
        });
        match result {
            Ok(identity) => assert_eq!((rests, identity.status[1]), (true, 0x02)),
            Err(error) => {
                let told = matches!(error, DriverError::Unsteady { what: "status", .. });
                assert_eq!((rests, told), (false, true), "{error}");
            }
        }
    }
}

#[test]
fn s2_a_chip_that_an_earlier_run_left_busy_is_waited_for() {
    for busy_us in [0, 400_000, 2_000_000] {
        let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
        let (result, _, ended) = converse(driver::identify(&transfers_only()), |request, now| {
            if now >= busy_us {
                return chip.answer(request);
            }
            // While busy only the status answers; the line floats for everything else.
            Ok(match (request, transfer(request)) {
                (_, Some((&[0x05], 1))) => Answer::Bytes(vec![0x03]),
                (_, Some((_, read))) => Answer::Bytes(vec![0xFF; read as usize]),
                _ => chip.answer(request)?,
            })
        });
        assert_eq!(result.expect("it becomes ready").chip.id, [0xEF, 0x40, 0x14], "busy for {busy_us} us");
        assert!(ended < busy_us + 300_000, "{ended} us");
    }
    let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    chip.status[0] = 0x01;
    let (result, ..) = identify(&chip);
    assert!(matches!(result, Err(DriverError::Busy { waited_ms: 24_000..25_000, .. })), "{result:?}");
}

#[test]
fn an_answer_of_another_kind_or_length_is_the_links_mistake() {
    let sound = || Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    let total = identify(&sound()).1.len();
    for nth in 0..total {
        let mut chip = sound();
        let mut count = 0;
        let (result, asked, _) = converse(driver::identify(&transfers_only()), |request, _| {
            count += 1;
            Ok(match chip.answer(request)? {
                _ if count <= nth => chip.answer(request)?,
                Answer::Bytes(bytes) => Answer::Bytes(vec![0; bytes.len() + 1]),
                _ => Answer::Ran { done: 0, stop: None },
            })
        });
        assert!(matches!(result, Err(DriverError::Answer { .. })), "request {nth}: {result:?}");
        assert_eq!(asked.len(), nth + 1, "nothing is asked after it");
    }
}

#[test]
fn a_failing_link_ends_the_conversation_with_its_error_as_the_cause() {
    let total = identify(&Paper::new(&[0xEF, 0x40, 0x14], 1 << 20)).1.len();
    for nth in 0..total {
        let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
        let mut count = 0;
        let (result, asked, _) = converse(driver::identify(&transfers_only()), |request, _| {
            count += 1;
            if count > nth { Err(LinkError::Gone) } else { chip.answer(request) }
        });
        let error = result.expect_err("the link is gone");
        assert!(matches!(error, DriverError::Link { source: LinkError::Gone, .. }) && error.is_resumable(), "{error}");
        assert_eq!(std::error::Error::source(&error).map(ToString::to_string).as_deref(), Some("the link is gone"));
        assert_eq!(asked.len(), nth + 1, "nothing is asked after it");
    }
}

#[test]
fn a_large_chip_is_brought_back_to_three_address_bytes_the_way_its_maker_has_it() {
    let mut plain = Paper::new(&[0xC2, 0x20, 0x19], 32 << 20);
    plain.tables = tables(&nine_words(32 << 20), 0x40, 0);
    // DWORD 1 bits 18:17 = 01b, three or four address bytes.
    plain.tables[0x40 + 2] |= 0x02;
    let mut enabled = plain.clone();
    enabled.id[0] = 0x20;
    for (chip, write_enable, before) in
        [(plain, false, vec![0x05, 0xE9]), (enabled, true, vec![0x05, 0x06, 0xE9, 0x04])]
    {
        let (identity, asked, _) = identify(&chip);
        assert_eq!(identity.expect("a sound chip").chip.addressing, Addressing::FourByMode { write_enable });
        let sent = opcodes(&asked);
        let status = sent.iter().rposition(|opcode| *opcode == 0x05).expect("the status");
        assert_eq!(sent[status..status + before.len()], before, "{sent:02x?}");
        assert_eq!(sent[sent.len() - 2], before[before.len() - 1], "and once more after measuring: {sent:02x?}");
    }
}

#[test]
fn the_size_is_measured_at_each_address_line() {
    let chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
    let (_, asked, _) = identify(&chip);
    let reads: Vec<u32> = asked
        .iter()
        .filter_map(transfer)
        .filter(|(write, read)| write[0] == 0x03 && *read == WINDOW)
        .map(|(write, _)| u32::from_be_bytes([0, write[1], write[2], write[3]]))
        .collect();
    for line in 16..20 {
        let apart = reads.chunks(2).any(|pair| pair[1] - pair[0] == 1 << line);
        assert!(apart, "no two windows lie {} apart", 1 << line);
    }
}

/// Some parts answer a constant level past their end: that is no chip of twice the size.
#[test]
fn s5_a_constant_level_past_the_end_is_no_content() {
    for level in [0x00, 0xFF] {
        let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
        let (result, ..) = converse(driver::identify(&transfers_only()), |request, _| match transfer(request) {
            Some((&[0x03, high, ..], read)) if high >= 0x10 => Ok(Answer::Bytes(vec![level; read as usize])),
            _ => chip.answer(request),
        });
        let identity = result.expect("a sound chip");
        assert_eq!((identity.size, identity.chip.is_writable()), (SizeMeasure::Measured(1 << 20), true));
    }
}

#[test]
fn a_unique_id_of_one_level_is_none() {
    for level in [0x00, 0xFF] {
        let mut chip = Paper::new(&[0xEF, 0x40, 0x14], 1 << 20);
        let (result, ..) = converse(driver::identify(&transfers_only()), |request, _| match transfer(request) {
            Some((&[0x4B, ..], read)) => Ok(Answer::Bytes(vec![level; read as usize])),
            _ => chip.answer(request),
        });
        assert_eq!(result.expect("a sound chip").unique_id, None);
    }
}

#[test]
fn an_operation_that_is_never_asked_does_nothing() {
    let mut op: Op<'_, _> = driver::identify(&transfers_only());
    assert_eq!(op.take_event(), None);
    assert!(matches!(op.poll(0), Step::Request { request: Request::SetClock { .. }, deadline_us: 1.. }));
}
