//! The host goes, in every way and in every request; and what a damaged stream does.

mod common;

use common::{GUARD, Host, ID, MODE, chip, pattern, program, with_chip};
use wire::{BLOCK, Block, Blocks, Data, Request, encode};

const LIST: [Block; 40] = {
    let mut list = [Block { at: 0, opcode: 0x20, typical_us: 45_000, limit_us: 400_000 }; 40];
    let mut at = 0;
    while at < 40 {
        list[at].at = at as u32 * 4096;
        at += 1;
    }
    list
};

/// Starts each request that takes long, by number.
fn start(host: &mut Host, which: usize) -> u16 {
    start_with(host, which, 256)
}

/// The same with so many blocks of data behind a program request of 1 MiB.
fn start_with(host: &mut Host, which: usize, blocks: usize) -> u16 {
    let mut room = [0; 13 * 40];
    match which {
        0 => host.send(&Request::ReadRange { at: 0, len: 1 << 20, mode: MODE }),
        1 => host.send(&Request::DigestRange { at: 0, len: 1 << 20, mode: MODE }),
        2 => {
            let number = host.send(&program(0, 1 << 20));
            for at in 0..blocks {
                let block: Vec<u8> = (0..BLOCK).map(|byte| pattern(at * BLOCK + byte) & 0x3C).collect();
                host.send_data(number, &Data::Bytes(&block));
            }
            number
        }
        3 => {
            let blocks = Blocks::write(&LIST, &mut room).expect("fits");
            host.send(&Request::EraseList { address_bytes: 3, guard: GUARD, blocks })
        }
        _ => host.send(&Request::Watch { every_ms: 20 }),
    }
}

/// When the last command that changes the chip began.
fn last_change_us(host: &Host) -> u64 {
    let chip = host.chip.borrow();
    chip.log
        .iter()
        .filter(|(_, command)| matches!(command[0], 0x02 | 0x06 | 0x20))
        .map(|(at, _)| *at)
        .max()
        .unwrap_or(0)
}

/// Says hello again and shows that all is well.
async fn goes_on(host: &mut Host<'_>) {
    loop {
        host.send(&Request::Hello);
        // What was under way before may come first.
        let number = host.number;
        let mut found = false;
        while let Some(answer) = host.answer_any().await {
            found |= answer.number == number && answer.reply.starts_with("Hello");
            if found {
                break;
            }
        }
        if found {
            break;
        }
    }
    assert_eq!(host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.data, ID);
}

#[test]
fn unplugged_in_each_request() {
    for which in 0..5 {
        for after_us in [0, 700, 20_000, 300_000] {
            with_chip(chip(), async |host| {
                host.hello().await;
                start(host, which);
                host.take_for(after_us).await;
                let gone_us = host.unplug();
                host.clock_wait(600_000).await;
                assert!(last_change_us(host) <= gone_us + 100_000, "request {which}, unplugged after {after_us} us");
                assert!(!host.chip.borrow().claimed, "request {which}, unplugged after {after_us} us");
                assert_eq!(host.chip.borrow().light, engine::Light::Waiting);
                host.plug();
                goes_on(host).await;
            });
        }
    }
}

#[test]
fn silent_in_each_request() {
    for which in 0..5 {
        with_chip(chip(), async |host| {
            host.hello().await;
            start(host, which);
            // What was queued is lost with the program that queued it.
            host.take_for(300_000).await;
            let gone_us = host.kill();
            host.clock_wait(4_000_000).await;
            assert!(last_change_us(host) <= gone_us + 2_100_000, "request {which}");
            assert!(!host.chip.borrow().claimed, "request {which}");
            goes_on(host).await;
        });
    }
}

#[test]
fn hello_in_the_middle_of_each_request_ends_it() {
    for which in 0..5 {
        with_chip(chip(), async |host| {
            host.hello().await;
            start(host, which);
            host.take_for(30_000).await;
            host.kill();
            goes_on(host).await;
        });
    }
}

#[test]
fn a_cancelled_request_answers_as_far_as_it_came() {
    for (which, name) in ["Read", "Digests", "Ran", "Ran", "Released"].into_iter().enumerate() {
        with_chip(chip(), async |host| {
            host.hello().await;
            let number = start_with(host, which, 8);
            host.take_for(5_000).await;
            let sequence = host.sent.take();
            host.send_as(number, sequence, &Request::Cancel);
            let answer = loop {
                let answer = host.answer().await.expect("an answer");
                if answer.reply.starts_with(name) {
                    break answer;
                }
            };
            assert_eq!(answer.number, number);
            if (2..4).contains(&which) {
                assert!(answer.reply.contains("Cancelled"), "{answer:?}");
            }
            assert_eq!(host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.data, ID);
        });
    }
}

#[test]
fn a_command_that_runs_is_left_to_end_before_the_lines_are_let_go() {
    with_chip(chip(), async |host| {
        host.hello().await;
        start(host, 3);
        host.take_for(20_000).await;
        host.unplug();
        host.clock_wait(5_000).await;
        assert!(host.chip.borrow().claimed, "the block is still being erased");
        host.clock_wait(150_000).await;
        let chip = host.chip.borrow();
        assert!(!chip.claimed);
        assert_eq!(chip.log.iter().filter(|(_, command)| command[0] == 0x20).count(), 1);
        assert!(chip.content[..4096].iter().all(|&byte| byte == 0xFF) && chip.content[4096] == pattern(4096));
    });
}

#[test]
fn garbage_on_the_pipe_is_passed_over() {
    with_chip(chip(), async |host| {
        host.raw(&[0xA7, 0x4E, 1, 2, 3]);
        host.raw(&(0..1000).map(pattern).collect::<Vec<u8>>());
        host.hello().await;
        host.raw(b"\xA7\x4E\x01\x01 garbage in the middle \xA7");
        assert_eq!(host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.data, ID);
    });
}

#[test]
fn a_frame_cut_short_holds_the_next_one_back_for_a_moment_only() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let mut out = [0; 200];
        let len =
            encode(&mut out, 99, host.sent.take(), &Request::Transfer { write: &[3; 100], read: 0 }).expect("fits");
        host.raw(&out[..len - 50]);
        host.sent.restart();
        let asked_us = engine::Clock::now_us(&host.clock);
        host.hello().await;
        assert!(engine::Clock::now_us(&host.clock) - asked_us < 2_000_000);
        assert_eq!(host.chip.borrow().log.len(), 0);
    });
}

#[test]
fn a_lost_frame_of_data_stops_the_programming_before_its_place() {
    with_chip(chip(), async |host| {
        host.chip.borrow_mut().content.fill(0xFF);
        host.hello().await;
        let number = host.send(&Request::ProgramRange {
            at: 0,
            len: 64 << 10,
            page: 256,
            opcode: 0x02,
            address_bytes: 3,
            typical_us: 700,
            limit_us: 3000,
            guard: GUARD,
        });
        for at in 0..16 {
            if at == 3 {
                host.sent.take();
            } else {
                host.send_data(number, &Data::Bytes(&[at; BLOCK]));
            }
        }
        let answer = host.answer().await.expect("an answer");
        assert!(answer.reply.ends_with("stop: Some(HostSilent) }"), "{answer:?}");
        assert!(host.chip.borrow().content[3 * BLOCK..].iter().all(|&byte| byte == 0xFF));
        // Out of step: everything but a hello is refused.
        let number = host.send(&Request::LineTest);
        let answer = host.answer().await.expect("an answer");
        assert!(answer.number == number && answer.reply.starts_with("Refused(OutOfStep"), "{answer:?}");
        goes_on(host).await;
    });
}

#[test]
fn a_doubled_request_runs_once() {
    with_chip(chip(), async |host| {
        host.hello().await;
        let sequence = host.sent.take();
        let request = Request::Transfer { write: &[0x9F], read: 3 };
        host.send_as(7, sequence, &request);
        host.send_as(7, sequence, &request);
        let answers = [host.answer().await.expect("one"), host.answer().await.expect("two")];
        assert!(answers.iter().any(|answer| answer.data == ID));
        assert!(answers.iter().any(|answer| answer.reply.starts_with("Refused(OutOfStep")), "{answers:?}");
        assert_eq!(host.chip.borrow().log.len(), 1);
    });
}

#[test]
fn nothing_is_done_before_a_hello() {
    with_chip(chip(), async |host| {
        host.sent.take();
        let reply = host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await.reply;
        assert_eq!(reply, "Refused(OutOfStep { expected: 0, got: 1 })");
        assert!(host.chip.borrow().log.is_empty());
        goes_on(host).await;
    });
}

#[test]
fn another_version_is_refused_with_ours() {
    with_chip(chip(), async |host| {
        let mut out = [0; 64];
        let len = encode(&mut out, 1, 0, &Request::Hello).expect("fits");
        out[2] = 9;
        let check = crc32fast::hash(&out[..10]).to_le_bytes();
        out[10..12].copy_from_slice(&check[..2]);
        host.raw(&out[..len]);
        let answer = host.answer().await.expect("an answer");
        assert_eq!(answer.reply, "Refused(Version { ours: 1 })");
    });
}

#[test]
fn a_host_that_asks_and_never_reads_blocks_nobody_for_longer_than_its_silence() {
    with_chip(chip(), async |host| {
        host.hello().await;
        host.pipe.back.stuck.set(true);
        start(host, 0);
        host.clock_wait(3_000_000).await;
        assert!(!host.chip.borrow().claimed);
        host.pipe.back.stuck.set(false);
        goes_on(host).await;
    });
}

/// Beats that nobody reads fill the way back; the sender of beats stands still, so the data is held back, so no hello comes through.
#[test]
fn a_host_that_sends_data_and_beats_and_reads_nothing_does_not_block_the_board() {
    with_chip(chip(), async |host| {
        host.hello().await;
        host.pipe.back.stuck.set(true);
        let number = host.send(&Request::ProgramRange {
            at: 0,
            len: 1 << 20,
            page: 256,
            opcode: 0x02,
            address_bytes: 3,
            typical_us: 700,
            limit_us: 3000,
            guard: GUARD,
        });
        for at in 0..255 {
            host.send_data(number, &Data::Bytes(&[at; BLOCK]));
            host.send(&Request::Heartbeat);
        }
        host.clock_wait(30_000_000).await;
        assert!(!host.chip.borrow().claimed);
        host.pipe.back.stuck.set(false);
        goes_on(host).await;
    });
}

#[test]
fn a_host_whose_data_is_held_back_is_not_taken_for_silent() {
    let mut slow = chip();
    slow.page_us = 2_500_000;
    with_chip(slow, async |host| {
        host.hello().await;
        let number = host.send(&Request::ProgramRange {
            at: 0,
            len: 64 << 10,
            page: 256,
            opcode: 0x02,
            address_bytes: 3,
            typical_us: 700,
            limit_us: 5_000_000,
            guard: GUARD,
        });
        for at in 0..16 {
            host.send_data(number, &Data::Bytes(&[at; BLOCK]));
        }
        host.clock_wait(30_000_000).await;
        let programmed = host.chip.borrow().log.iter().filter(|(_, command)| command[0] == 0x02).count();
        assert!((11..=13).contains(&programmed), "{programmed} pages in 30 s");
    });
}

#[test]
fn a_hello_and_a_release_let_go_of_the_chip() {
    with_chip(chip(), async |host| {
        for request in [Request::Hello, Request::Release] {
            host.hello().await;
            host.ask(&Request::Transfer { write: &[0x9F], read: 3 }).await;
            assert!(host.chip.borrow().claimed);
            host.ask(&request).await;
            assert!(!host.chip.borrow().claimed, "{request:?}");
        }
    });
}
