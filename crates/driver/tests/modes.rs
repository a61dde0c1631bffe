//! Chips past 16 MiB in every way that there is to reach them, and what happens when a dip of the supply takes that way.

mod common;

use std::ops::Range;

use common::{LOWERED, ON_LINK, Recorder, bench, fault, identify, plan, random, run, tables, verify, write};
use driver::{Content, DriverError, Order, PassPlan};
use nor::chip::Addressing;
use nor::link::Link;

const SIZE: usize = 32 << 20;
const LIMIT: usize = 1 << 24;

/// A chip that nobody sells, whose table names one way past 16 MiB.
fn invented(entry: u8) -> String {
    tables::keys("770219", 32 << 20, &tables::whole(&tables::basic(32 << 20, entry), &[]))
}

fn marked(marking: &str) -> String {
    format!("marking = \"{marking}\"")
}

/// Keys of the chip, and how it is reached.
fn chips() -> Vec<(String, Addressing)> {
    let mode = |write_enable| Addressing::FourByMode { write_enable };
    vec![
        (marked("W25Q256\"\nid = \"ef4019"), mode(false)),
        (marked("N25Q256A"), mode(true)),
        (marked("MT25QL256A"), mode(true)),
        (marked("MX25L25635E"), mode(false)),
        (marked("GD25LQ256D"), mode(false)),
        (invented(0x01), mode(false)),
        (invented(0x02), mode(true)),
        (invented(0x04), Addressing::ExtendedRegister),
        (invented(0x08), Addressing::FourByBank),
        (invented(0x40), Addressing::Four),
        (marked("GD25LB256"), Addressing::Long),
    ]
}

/// Random content, and the same with a change that begins in the last block below 16 MiB and goes on above.
fn change() -> (Vec<u8>, Vec<u8>, Range<u32>) {
    let present = random(31, SIZE);
    let mut wanted = present.clone();
    let range = LIMIT - 70_000..LIMIT + 140_000;
    wanted[range.clone()].copy_from_slice(&random(32, range.len()));
    (present, wanted, u32::try_from(range.start).expect("small")..u32::try_from(range.end).expect("small"))
}

#[test]
fn every_way_past_sixteen_mebibytes_reads_erases_and_programs() {
    let (present, wanted, range) = change();
    for (keys, addressing) in chips() {
        for features in [LOWERED, ON_LINK, "[link]\nfeatures = [\"read-range\", \"digest\"]\n"] {
            let mut link = Recorder::new(bench(&keys, features, &present));
            let identity = identify(&mut link);
            assert_eq!((identity.chip.addressing, &identity.chip.conflicts[..]), (addressing, &[][..]), "{keys}");
            for (fast, order, digest) in [(true, Order::Ascending, false), (false, Order::Descending, true)] {
                let plan = PassPlan { clock_hz: 12_000_000, fast, order, chunk: 3 << 20, digest };
                let pass = run(&mut link, |limits| driver::pass(limits, &identity, plan)).expect("a sound chip");
                match pass.content {
                    Content::Bytes(bytes) => assert!(bytes == present, "{keys}"),
                    Content::Digests(digests) => {
                        let expected: Vec<u32> = present.chunks(4096).map(crc32fast::hash).collect();
                        assert!(digests == expected, "{keys}");
                    }
                }
            }
            let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, range.clone());
            write(&mut link, &identity, &plan, &wanted).unwrap_or_else(|error| panic!("{keys}: {error}"));
            assert!(link.bench.chip_content() == wanted, "{keys}");
            assert_eq!(verify(&mut link, &identity, &wanted, range.clone()).differing_bytes, 0, "{keys}");
            let state = link.bench.chip_state();
            assert_eq!((state.four_byte, state.extended_address), (addressing == Addressing::Four, 0), "{keys}");
        }
    }
}

/// The way is lost in the middle of a write above 16 MiB, at moments spread over it: told as lost contact at once, and the
/// lower part stays as it was. On a blank chip no content can tell, so that the order of commands alone has to do it.
#[test]
fn s6_a_chip_that_falls_back_to_three_bytes_never_has_its_lower_part_written() {
    let by_mode = |addressing: &Addressing| {
        matches!(addressing, Addressing::FourByMode { .. } | Addressing::FourByBank | Addressing::ExtendedRegister)
    };
    for (keys, _) in chips().into_iter().filter(|(_, addressing)| by_mode(addressing)) {
        for blank in [false, true] {
            let present = if blank { vec![0xFF; SIZE] } else { random(41, SIZE) };
            let at = LIMIT + 0x5_0000;
            let mut wanted = present.clone();
            wanted[at..at + 0x1_8000].copy_from_slice(&random(42, 0x1_8000));
            let range = u32::try_from(at).expect("small")..u32::try_from(at + 0x1_8000).expect("small");
            let write_with = |fault: &str| {
                let mut link = Recorder::new(bench(&keys, &format!("{LOWERED}{fault}"), &present));
                let mut identity = identify(&mut link);
                // A blank chip shows no size; what the sources say counts.
                identity.chip.conflicts.clear();
                let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, range.clone());
                let began = link.now_us();
                let result = write(&mut link, &identity, &plan, &wanted);
                (result, began, link)
            };
            let (sound, began, mut link) = write_with("");
            sound.unwrap_or_else(|error| panic!("{keys}: {error}"));
            let took = link.now_us() - began;
            for share in 0..5 {
                // Not on a round share, so that the moments fall on several kinds of transfer.
                let at_us = began + took / 50 + took * share / 5 + 137 * share;
                let (result, _, link) = write_with(&fault("supply-dip", &format!("at_us = {at_us}")));
                let content = link.bench.chip_content();
                assert!(content[..LIMIT] == present[..LIMIT], "{keys}, blank {blank}, dip at {at_us}: written below");
                let end = at + 0x2_0000;
                assert!(content[end..] == present[end..], "{keys}, blank {blank}, dip at {at_us}: written above");
                match result {
                    Err(DriverError::ModeLost { .. } | DriverError::NotEnabled { .. }) => {}
                    Ok(()) if blank => {}
                    other => panic!("{keys}, blank {blank}, dip at {at_us}: {other:?}"),
                }
            }
        }
    }
}

#[test]
fn s6_a_mode_that_was_never_entered_is_told_before_anything_is_erased() {
    // The table names 06h and B7h; this chip takes neither, since its lists know opcodes alone.
    let (present, wanted, range) = change();
    let keys = invented(0x02);
    let mut link = Recorder::new(bench(&keys, LOWERED, &present));
    let mut identity = identify(&mut link);
    identity.chip.addressing = Addressing::FourByBank;
    let (plan, _) = plan(&identity.chip, &link.limits, &present, &wanted, range);
    let error = write(&mut link, &identity, &plan, &wanted).expect_err("no such register");
    assert!(matches!(error, DriverError::ModeLost { .. }) && error.is_resumable(), "{error}");
    assert!(link.bench.chip_content() == present);
    assert_eq!(link.count(0x20) + link.count(0xD8) + link.count(0x02), 0);
}
