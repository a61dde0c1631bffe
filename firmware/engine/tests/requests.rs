//! Every request, against a chip of which each byte and each command is known.

mod common;

use common::{GUARD, ID, MODE, chip, pattern, program, with_chip, with_pipes};
use wire::{BLOCK, Block, Blocks, Data, Guard, ReadMode, Request};

#[test]
fn hello_says_what_the_board_is() {
    with_chip(chip(), async |host| {
        let reply = host.hello().await.reply;
        assert!(reply.contains("0123456789ABCDEF") && reply.contains(env!("CARGO_PKG_VERSION")), "{reply}");
    });
}

#[test]
fn a_transfer_reads_the_id() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let answer = host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await;
        assert_eq!((answer.data, answer.reply.as_str()), (ID.to_vec(), "Read { len: 3 }"));
    });
}

#[test]
fn a_range_comes_as_it_stands_in_the_chip_in_one_turn_and_97_percent_of_it_is_payload() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let (turns, bytes) = (host.turns, host.bytes);
        let answer = host.ask(&Request::ReadRange { at: 0, len: 1 << 20, mode: MODE }).await;
        assert!(answer.data == host.chip.borrow().content);
        assert_eq!(host.turns - turns, 1);
        let all = host.bytes.0 - bytes.0 + host.bytes.1 - bytes.1;
        assert!(f64::from(1 << 20) / all as f64 >= 0.97, "{all} bytes for 1 MiB");
    });
}

#[test]
fn odd_ends_dummy_bytes_and_two_lines() {
    with_chip(chip(), async |host| {
        host.hello().await;
        for (at, len) in [(0, 1), (5, 4096), (4095, 4098), (100, 12_345), ((1 << 20) - 1, 1)] {
            for (opcode, dummy_bytes, data_lines) in [(0x03, 0, 1), (0x0B, 1, 1), (0x3B, 1, 2)] {
                let mode = ReadMode { opcode, address_bytes: 3, dummy_bytes, data_lines };
                let answer = host.ask(&Request::ReadRange { at, len, mode }).await;
                let expected: Vec<u8> = (at as usize..(at + len) as usize).map(pattern).collect();
                assert!(answer.data == expected, "{at} {len} {mode:?}");
                assert_eq!(answer.reply, format!("Read {{ len: {len} }}"));
            }
        }
    });
}

#[test]
fn blank_and_repeated_blocks_cost_little() {
    let mut blank = chip();
    blank.content[..512 << 10].fill(0xFF);
    let (first, rest) = blank.content[512 << 10..].split_at_mut(BLOCK);
    for block in rest[..BLOCK * 16].chunks_mut(BLOCK) {
        block.copy_from_slice(first);
    }
    with_chip(blank, async |host| {
        host.hello().await;
        let before = host.bytes.1;
        let answer = host.ask(&Request::ReadRange { at: 0, len: 580 << 10, mode: MODE }).await;
        assert!(answer.data[..] == host.chip.borrow().content[..580 << 10]);
        assert!(host.bytes.1 - before < 8192, "{} bytes", host.bytes.1 - before);
    });
}

#[test]
fn a_digest_is_the_crc_32_of_each_block() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let (at, len) = (4096, (1 << 20) - 4096 - 100);
        let answer = host.ask(&Request::DigestRange { at, len, mode: MODE }).await;
        let content = &host.chip.borrow().content[at as usize..(at + len) as usize];
        let expected: Vec<u8> = content.chunks(BLOCK).flat_map(|block| crc32fast::hash(block).to_le_bytes()).collect();
        assert_eq!(answer.data, expected);
        assert_eq!(answer.reply, "Digests { count: 255 }");
    });
}

#[test]
fn a_range_is_programmed_page_by_page_in_one_turn() {
    let mut blank = chip();
    blank.content.fill(0xFF);
    with_chip(blank, async |host| {
        host.hello().await;
        let wanted: Vec<u8> = (0..(128 << 10) + 100).map(pattern).collect();
        let turns = host.turns;
        let number = host.send(&program(256, wanted.len() as u32));
        for block in wanted.chunks(BLOCK) {
            host.send_data(number, &Data::Bytes(block));
        }
        let answer = host.answer().await.expect("an answer");
        assert_eq!(answer.reply, format!("Ran {{ done: {}, stop: None }}", wanted.len()));
        assert_eq!(host.turns - turns, 1);
        let chip = host.chip.borrow();
        assert!(chip.content[256..][..wanted.len()] == wanted[..]);
        assert!(chip.content[..256].iter().all(|&byte| byte == 0xFF));
        let count = |opcode| chip.log.iter().filter(|(_, command)| command[0] == opcode).count();
        assert_eq!((count(0x02), count(0x06)), (513, 513));
        // S6: before the first page and after each 64 KiB.
        assert_eq!(count(0x9F), 3);
    });
}

#[test]
fn fills_are_programmed_too() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let number = host.send(&program(0, 100_000));
        host.send_data(number, &Data::Fill { value: 0, len: 100_000 });
        assert_eq!(host.answer().await.expect("an answer").reply, "Ran { done: 100000, stop: None }");
        assert!(host.chip.borrow().content[..100_000].iter().all(|&byte| byte == 0));
    });
}

#[test]
fn blocks_are_erased_in_order_and_heartbeats_are_answered_on_the_way() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let block = |at| Block { at, opcode: 0x20, typical_us: 45_000, limit_us: 400_000 };
        let mut room = [0; 13 * 100];
        let list: Vec<Block> = (0..100).map(|number| block(0x1000 * (99 - number))).collect();
        let blocks = Blocks::write(&list, &mut room).expect("fits");
        let number = host.send(&Request::EraseList { address_bytes: 3, guard: GUARD, blocks });
        host.clock_wait(1_000_000).await;
        let beat = host.ask(&Request::Heartbeat).await.reply;
        assert!(beat.starts_with(&format!("Beat {{ running: Some({number}), done: 2")), "{beat}");
        host.wait_alive(2_000_000).await;
        let busy = host.ask(&Request::SenseSupply).await.reply;
        assert_eq!(busy, format!("Refused(Busy {{ running: {number} }})"));
        let answer = loop {
            let answer = host.answer_alive().await;
            if answer.number == number {
                break answer;
            }
        };
        assert_eq!(answer.reply, "Ran { done: 100, stop: None }");
        let chip = host.chip.borrow();
        assert!(chip.content[..100 * 4096].iter().all(|&byte| byte == 0xFF));
        let erased: Vec<_> =
            chip.log.iter().filter(|(_, command)| command[0] == 0x20).map(|(_, command)| command[2]).collect();
        assert_eq!(erased, (0..100).rev().map(|number| number << 4).collect::<Vec<u8>>().as_slice());
        assert_eq!(chip.log.iter().filter(|(_, command)| command[0] == 0x9F).count(), 100);
    });
}

#[test]
fn s6_a_list_stops_when_id_or_status_differ() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let mut room = [0; 26];
        let list = [0, 0x1000].map(|at| Block { at, opcode: 0x20, typical_us: 45_000, limit_us: 400_000 });
        let blocks = Blocks::write(&list, &mut room).expect("fits");
        let request = Request::EraseList { address_bytes: 3, guard: GUARD, blocks };
        let number = host.send(&request);
        host.clock_wait(20_000).await;
        host.chip.borrow_mut().id = vec![0xFF; 3];
        let answer = host.answer().await.expect("an answer");
        assert_eq!(answer.reply, "Ran { done: 1, stop: Some(Differs { id: [255, 255, 255], status: 0 }) }");
        assert_eq!(answer.number, number);
        assert_eq!(host.chip.borrow().light, engine::Light::Stopped);
        host.chip.borrow_mut().id = ID.to_vec();
        host.chip.borrow_mut().status = 0x1C;
        let answer = host.ask(&request).await;
        assert_eq!(answer.reply, "Ran { done: 0, stop: Some(Differs { id: [239, 64, 24], status: 28 }) }");
    });
}

#[test]
fn s6_programming_looks_again_after_64_kib() {
    let mut blank = chip();
    blank.content.fill(0xFF);
    with_chip(blank, async |host| {
        host.hello().await;
        let number = host.send(&program(0, 128 << 10));
        host.send_data(number, &Data::Fill { value: 0x5A, len: 128 << 10 });
        host.clock_wait(50_000).await;
        host.chip.borrow_mut().id = vec![0; 3];
        let answer = host.answer().await.expect("an answer");
        assert_eq!(answer.reply, "Ran { done: 65536, stop: Some(Differs { id: [0, 0, 0], status: 0 }) }");
    });
}

#[test]
fn a_chip_that_stays_busy_or_takes_no_write_enable_stops_the_list() {
    let mut slow = chip();
    slow.page_us = 10_000_000;
    with_chip(slow, async |host| {
        host.hello().await;
        let number = host.send(&program(0, 512));
        host.send_data(number, &Data::Fill { value: 0, len: 512 });
        let reply = host.answer().await.expect("an answer").reply;
        assert!(reply.starts_with("Ran { done: 0, stop: Some(Busy { waited_us: 30"), "{reply}");
    });
    let mut protected = chip();
    protected.protected = true;
    with_chip(protected, async |host| {
        host.hello().await;
        let number = host.send(&program(0, 512));
        host.send_data(number, &Data::Fill { value: 0, len: 512 });
        let reply = host.answer().await.expect("an answer").reply;
        assert_eq!(reply, "Ran { done: 0, stop: Some(NotEnabled { status: 0 }) }");
    });
}

#[test]
fn what_is_outside_of_the_limits_is_refused_and_nothing_reaches_the_chip() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let four = ReadMode { address_bytes: 4, data_lines: 4, ..MODE };
        for request in [
            Request::Transfer { write: &[], read: 1 },
            Request::Transfer { write: &[3, 0, 0, 0], read: 4093 },
            Request::ReadRange { at: 0, len: (1 << 20) + 1, mode: MODE },
            Request::ReadRange { at: 0, len: 0, mode: MODE },
            Request::ReadRange { at: 0xFF_FFFF, len: 2, mode: MODE },
            Request::ReadRange { at: 0, len: 2, mode: four },
            Request::ReadRange { at: 0, len: 2, mode: ReadMode { address_bytes: 0, ..MODE } },
            Request::ReadRange { at: u32::MAX, len: 2, mode: ReadMode { address_bytes: 4, ..MODE } },
            Request::ReadRange { at: 0, len: 2, mode: ReadMode { dummy_bytes: 17, ..MODE } },
            Request::DigestRange { at: 0, len: 1 << 25, mode: MODE },
            Request::Watch { every_ms: 1 },
            Request::SwitchSupply { on: true },
            program(1, 256),
        ] {
            let reply = host.ask(&request).await.reply;
            assert!(reply.starts_with("Refused(Unable"), "{request:?}: {reply}");
        }
        let long = Guard { id: &[0; 17], ..GUARD };
        let Request::ProgramRange { at, len, page, opcode, address_bytes, typical_us, limit_us, .. } = program(0, 256)
        else {
            unreachable!()
        };
        let request = Request::ProgramRange { at, len, page, opcode, address_bytes, typical_us, limit_us, guard: long };
        assert!(host.ask(&request).await.reply.starts_with("Refused(Unable"));
        assert!(host.chip.borrow().log.is_empty());
    });
}

#[test]
fn s4_a_chip_without_supply_or_with_too_much_is_not_driven() {
    for mv in [0, 900, 5000] {
        let mut odd = chip();
        odd.supply_mv = Some(mv);
        with_chip(odd, async |host| {
            host.hello().await;
            let reply = host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.reply;
            assert_eq!(reply, format!("Refused(Supply {{ mv: {mv} }})"));
            assert!(!host.chip.borrow().claimed && host.chip.borrow().log.is_empty());
        });
    }
}

#[test]
fn clock_lines_watch_and_supply() {
    with_chip(chip(), async |host| {
        host.hello().await;
        assert_eq!(host.ask(&Request::SetClock { hz: 1 }).await.reply, "Clock { hz: 100000 }");
        assert_eq!(host.ask(&Request::SenseSupply).await.reply, "Supply { mv: Some(3300), fed: None }");
        let lines = host.ask(&Request::LineTest).await.reply;
        assert!(lines.starts_with("Lines(") && lines.contains("moved: 32"), "{lines}");
        let number = host.send(&Request::Watch { every_ms: 100 });
        for _ in 0..5 {
            let seen = host.answer().await.expect("a look");
            assert!(seen.number == number && seen.reply.starts_with("Seen("), "{seen:?}");
        }
        let sequence = host.sent.take();
        host.send_as(number, sequence, &Request::Cancel);
        while host.answer().await.expect("an answer").reply != "Released" {}
        assert!(host.chip.borrow().log.is_empty());
    });
}

#[test]
fn one_pipe_at_a_time() {
    with_pipes(chip(), async |first, second| {
        first.hello().await;
        let reply = second.hello().await.reply;
        assert!(reply.contains("another program uses this programmer"), "{reply}");
        assert_eq!(second.ask(&Request::LineTest).await.reply, "Refused(OutOfStep { expected: 0, got: 1 })");
        first.ask(&Request::Release).await;
        assert!(second.hello().await.reply.starts_with("Hello"));
        assert_eq!(second.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.data, ID);
    });
}
