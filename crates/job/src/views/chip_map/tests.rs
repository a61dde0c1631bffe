use serde_json::json;

use super::*;

const S: u32 = SECTOR;

fn content(bytes: &[u8]) -> Vec<u8> {
    bytes.iter().flat_map(|byte| vec![*byte; SECTOR as usize]).collect()
}

#[test]
fn a_sector_is_blank_data_or_other_than_wanted() {
    let (is, wanted) = (content(&[0xFF, 1, 2, 0xFF]), content(&[0xFF, 1, 3, 4]));
    let known = Known4k { content: Some(&is), ..Known4k::default() };
    assert_eq!(cells(4 * S, known), [Cell::Blank, Cell::Data, Cell::Data, Cell::Blank]);
    let known = Known4k { wanted: Some(&wanted), ..known };
    assert_eq!(cells(4 * S, known), [Cell::Blank, Cell::Data, Cell::Differs, Cell::Differs]);
    assert_eq!(cells(5 * S, known)[4], Cell::Unknown, "a content that ends early says nothing of the rest");
    assert_eq!(cells(2 * S, Known4k::default()), [Cell::Unknown; 2]);
}

#[test]
#[expect(clippy::single_range_in_vec_init, reason = "lists of one range are what is meant")]
fn what_is_unsure_outweighs_what_was_known() {
    let is = content(&[1; 6]);
    let mut wanted = is.clone();
    wanted[0] = 9;
    let known = Known4k {
        content: Some(&is),
        wanted: Some(&wanted),
        verified: &[0..3 * S],
        disputed: &[2 * S..4 * S],
        unsure: &[3 * S..5 * S],
    };
    let found = cells(6 * S, known);
    assert_eq!(
        found,
        [Cell::Differs, Cell::Verified, Cell::Disputed, Cell::Unsure, Cell::Unsure, Cell::Data],
        "verified long ago and wanted otherwise now is what differs"
    );
    let beyond = Known4k { content: Some(&is), unsure: &[5 * S..9000 * S, 9001 * S..9002 * S], ..Known4k::default() };
    assert_eq!(cells(6 * S, beyond)[5], Cell::Unsure, "a range past the end is cut, not believed");
}

/// The plan that the engine makes for a real chip, against the same work done act by act: the cells have to follow it.
#[test]
fn a_running_write_follows_the_plan_act_by_act() {
    let plan = json!({
        "range": [0, 8 * S],
        "touched": [[0, 2 * S], [4 * S, 8 * S]],
        "erases": [[0, 2 * S, 0x20], [4 * S, 4 * S, 0x52]],
        "programs": [[0, 256], [5 * S, S]],
    });
    let writing = Writing::of(&plan).expect("a plan");
    assert_eq!(writing.total(), u64::from(2 * S + 256 + 4 * S + S));
    let before = vec![Cell::Differs; 8];
    let at = |how_far| writing.run(&before, how_far);
    use Cell::{Differs as D, Erased as E, Programmed as P, Verified as V};
    assert_eq!(at(HowFar::Wrote(0)), [D; 8]);
    assert_eq!(at(HowFar::Wrote(u64::from(S))), [E, D, D, D, D, D, D, D]);
    assert_eq!(at(HowFar::Wrote(u64::from(2 * S))), [E, E, D, D, D, D, D, D]);
    assert_eq!(at(HowFar::Wrote(u64::from(2 * S + 256))), [P, E, D, D, D, D, D, D]);
    assert_eq!(at(HowFar::Wrote(u64::from(6 * S + 256))), [P, E, D, D, E, E, E, E]);
    assert_eq!(at(HowFar::Wrote(writing.total())), [P, E, D, D, E, P, E, E]);
    assert_eq!(at(HowFar::ReadAgain(u64::from(4 * S))), [V, V, V, V, E, P, E, E]);
    assert_eq!(at(HowFar::ReadAgain(u64::MAX)), [V; 8]);
    assert_eq!(HowFar::of("reading the chip", 5), None);
}

#[test]
fn s10_a_damaged_plan_paints_nothing_outside_the_chip() {
    for odd in [json!({}), json!({ "range": [5, 1] }), json!({ "range": "x" })] {
        assert_eq!(Writing::of(&odd), None);
    }
    let wild =
        json!({ "range": [0, u32::MAX], "erases": [[u32::MAX - 1, 1, 0x20], [-4, 2], ["x"]], "programs": [[S, S]] });
    let writing = Writing::of(&wild).expect("a range");
    assert_eq!(writing.run(&[Cell::Data; 2], HowFar::Wrote(u64::MAX)), [Cell::Data, Cell::Programmed]);
    assert_eq!(writing.run(&[Cell::Data; 2], HowFar::ReadAgain(u64::MAX)), [Cell::Verified; 2]);
}

#[test]
fn changes_are_runs_that_lead_from_one_map_to_the_other() {
    let seed = 7;
    let mut random = fastrand::Rng::with_seed(seed);
    for _ in 0..200 {
        let mut map = || -> Vec<Cell> { (0..64).map(|_| Cell::ALL[random.usize(..3)]).collect() };
        let (old, new) = (map(), map());
        let mut walked = old.clone();
        for (first, count, cell) in changes(&old, &new) {
            walked[first as usize..(first + count) as usize].fill(cell);
        }
        assert_eq!(walked, new, "again: cargo nextest run -p job changes_are_runs");
    }
    assert_eq!(changes(&[Cell::Blank; 9], &[Cell::Data; 9]), [(0, 9, Cell::Data)]);
    assert_eq!(changes(&[Cell::Blank; 9], &[Cell::Blank; 9]), []);
}

#[test]
fn every_state_has_its_own_number_and_word() {
    for (number, cell) in (0u8..).zip(Cell::ALL) {
        assert_eq!(cell as u8, number);
        assert!(!cell.means().is_empty());
    }
    let names: std::collections::HashSet<_> = Cell::ALL.iter().map(|cell| cell.name()).collect();
    assert_eq!(names.len(), Cell::ALL.len());
}
