//! Every part of the catalogue and every whole table of a real chip: put on the bench, identified, read, written, verified.
//! What safety rule S5 makes read-only is listed with its reason, so that a change of that list is looked at.

mod common;

use common::{LOWERED, ON_LINK, bench, identify, plan, run, verify, write};
use driver::{Content, DriverError, Identity, Order, PassPlan, SizeMeasure};
use nor::catalogue;
use nor::chip::{Addressing, id_text};
use nor::link::Link;
use nor::protection::Protection;
use nor::protection::lift::StatusWrite;
use serde_json::Value;
use sim::VirtualBench;

/// A chip up to this size is read as a whole, a larger one around the places where addresses can go wrong.
const READ_WHOLE: usize = 16 << 20;

/// The length of the change.
const CHANGE: usize = 64 << 10;

/// Random content; on a large chip at its ends and around each power of two, where it tells the size and where addresses
/// can go wrong, and blank in between.
fn content(seed: u64, size: usize) -> Vec<u8> {
    if size <= READ_WHOLE {
        return common::random(seed, size);
    }
    let piece = common::random(seed, 3 * CHANGE);
    let mut content = vec![0xFF; size];
    let powers = (16..32).map(|power| 1 << power).filter(|at| *at < size);
    for (index, at) in powers.chain([0, size - piece.len()]).enumerate() {
        let len = piece.len().min(size - at);
        // Each stretch begins elsewhere in the piece, so that no two are alike.
        let (tail, head) = piece.split_at(index * 777);
        content[at..at + len].copy_from_slice(&[head, tail].concat()[..len]);
    }
    content
}

/// What came of one chip: the reason why it is read only, if it is.
fn put_to_the_test(name: &str, keys: &str, features: &str, seed: u64, size: usize) -> (Identity, Option<String>) {
    let mut rng = fastrand::Rng::with_seed(seed);
    let present = content(seed, size);
    let mut link = bench(keys, features, &present);
    let mut identity = identify(&mut link);
    if identity.chip.addressing == Addressing::Unknown {
        let clock_hz = link.limits().clock_hz.1;
        let range = 0..identity.chip.size;
        let refused = run(&mut link, |limits| driver::verify(limits, &identity, &present, range, clock_hz));
        assert!(matches!(refused, Err(DriverError::Unreachable { .. })), "{name}: {refused:?}");
    } else if identity.chip.size as usize == size {
        read_equals(name, &mut link, &identity, &present);
    }
    if !identity.chip.is_writable() {
        let reasons: Vec<String> = identity.chip.conflicts.iter().map(ToString::to_string).collect();
        return (identity, Some(reasons.join("; ")));
    }
    assert_eq!(identity.size, SizeMeasure::Measured(identity.chip.size), "{name}");
    open_up(name, &mut link, &mut identity);
    let half = size.min(1 << 24) / 2;
    let from = if size > 1 << 24 { size - CHANGE - rng.usize(0..=CHANGE) } else { rng.usize(half..=size - CHANGE) };
    let mut wanted = present.clone();
    rng.fill(&mut wanted[from..from + CHANGE]);
    let range = u32::try_from(from).expect("an address")..u32::try_from(from + CHANGE).expect("an address");
    let (plan, _) = plan(&identity.chip, link.limits(), &present, &wanted, range.clone());
    write(&mut link, &identity, &plan, &wanted).unwrap_or_else(|error| panic!("{name}: write: {error}"));
    let found = verify(&mut link, &identity, &wanted, range);
    assert_eq!((found.differing_bytes, found.unsteady), (0, 0), "{name}");
    assert!(link.chip_content() == wanted, "{name}: what was asked for, and nothing beside it");
    let state = link.chip_state();
    assert!(!state.busy && !state.write_enabled && !state.deaf && state.extended_address == 0, "{name}: {state:?}");
    assert_eq!(state.four_byte, identity.chip.addressing == Addressing::Four, "{name}: left as it was found");
    (identity, None)
}

/// Lifts protection where it comes up set, and opens block locks.
fn open_up(name: &str, link: &mut VirtualBench, identity: &mut Identity) {
    if identity.chip.block_locks.is_some() {
        assert!(link.chip_state().locked, "{name}");
        run(link, |limits| driver::unlock_blocks(limits, identity)).unwrap_or_else(|error| panic!("{name}: {error}"));
        assert!(!link.chip_state().locked, "{name}");
    }
    let lift = match identity.protection {
        Protection::None | Protection::Unknown => return,
        _ => Protection::lift(&identity.chip, &identity.status),
    };
    let lift: StatusWrite = lift.unwrap_or_else(|error| panic!("{name}: {error}")).expect("something is protected");
    identity.status = run(link, |limits| driver::set_status(limits, identity, &lift))
        .unwrap_or_else(|error| panic!("{name}: {error}"));
    identity.protection = Protection::of(&identity.chip, &identity.status);
    assert_eq!(identity.protection, Protection::None, "{name}");
}

fn read_equals(name: &str, link: &mut VirtualBench, identity: &Identity, present: &[u8]) {
    let size = present.len();
    if size <= READ_WHOLE {
        let plan =
            PassPlan { clock_hz: 12_000_000, fast: true, order: Order::Ascending, chunk: 1 << 20, digest: false };
        let pass = run(link, |limits| driver::pass(limits, identity, plan)).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert!(pass.content == Content::Bytes(present.to_vec()), "{name}: read something else");
        return;
    }
    for from in [0, (1 << 24) - CHANGE, size / 2, size - CHANGE] {
        let range = u32::try_from(from).expect("an address")..u32::try_from(from + CHANGE).expect("an address");
        assert_eq!(verify(link, identity, present, range).differing_bytes, 0, "{name} from {from:#x}");
    }
}

#[test]
fn s5_every_part_of_the_catalogue_is_read_and_written_or_is_read_only_for_a_reason() {
    let mut read_only = Vec::new();
    for (seed, entry) in (0..).zip(catalogue::entries()) {
        let name = &entry.markings[0];
        let keys = format!("marking = {name:?}\nid = \"{}\"\nsize = {}", id_text(&entry.id), entry.size);
        let features = if seed % 2 == 0 { LOWERED } else { ON_LINK };
        let (identity, reason) = put_to_the_test(name, &keys, features, seed, entry.size as usize);
        assert!(entry.markings.iter().all(|marking| identity.chip.markings.contains(marking)), "{name}");
        read_only.extend(reason.map(|reason| format!("{name}: {reason}")));
    }
    let missing =
        "erase blocks: blocks of one erase opcode differ by address on this part, and it shows no map that says where";
    let expected = [
        "IS25WP256: address width: what the chip's table says does not fit its size".to_owned(),
        format!("S25FS064S: {missing}"),
        format!("S25FS256T: {missing}"),
    ];
    assert_eq!(read_only, expected);
}

#[test]
fn s5_every_whole_table_of_a_real_chip_is_read_and_written_or_is_read_only_for_a_reason() {
    let (mut count, mut read_only) = (0, Vec::new());
    for line in include_str!("../../nor/tests/data/tables.jsonl").lines() {
        let row: Value = serde_json::from_str(line).expect("JSON");
        if row["kind"] != "whole" {
            continue;
        }
        count += 1;
        let name = row["part"].as_str().expect("a part");
        let size = row["size"].as_u64().expect("a size");
        let keys = format!("id = {}\nsize = {size}\nsfdp = {}", row["id"], row["hex"]);
        let size = usize::try_from(size).expect("fits");
        let (_, reason) = put_to_the_test(name, &keys, ON_LINK, count, size);
        read_only.extend(reason.map(|reason| format!("{name}: {reason}")));
    }
    assert_eq!(count, 46);
    let width = "address width: what the chip's table says does not fit its size";
    let expected = [
        format!("IS25WP256: {width}"),
        format!("IS25WP256: {width}"),
        "ZD25Q128C (Zetta): size: the catalogue says 16777216 bytes, the chip's own table 2097152".to_owned(),
    ];
    assert_eq!(read_only, expected);
}
