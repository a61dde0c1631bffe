//! What the pictures are drawn from, read off a journal as the chip commands write it.

use job::views::chip_map::{Cell, ChipMap, SECTOR, Wanted};
use job::views::{contents, reads};
use serde_json::json;

use super::bench::Bench;

/// Bytes of the chip `port` of the scenario.
const PORT: usize = 1 << 20;

fn cell(map: &ChipMap, sector: usize) -> Cell {
    map.cells[sector]
}

#[test]
fn a_map_follows_capture_plan_and_apply() {
    let bench = Bench::new();
    let job = bench.convert();
    let map = || ChipMap::read(&bench.dir(), &job, "port", &[]).expect("a map");
    assert!(map().cells.iter().all(|cell| *cell == Cell::Unknown), "nothing was read yet");
    let sector = SECTOR as usize;
    let mut found = vec![0xFF; PORT];
    found[..4 * sector].fill(1);
    let mut wanted = found.clone();
    wanted[sector..2 * sector].fill(2);
    let (from, to) = (bench.put("port as found", &found), bench.put("port wanted", &wanted));
    bench.append(&job, "captured", json!({ "chip": "port", "content": from, "evidence": {} }));
    // The profile fills this chip with zeros first: whatever is no zero differs.
    assert_eq!((cell(&map(), 0), cell(&map(), 200)), (Cell::Differs, Cell::Differs));
    let plan = json!({
        "chip": "port", "step": "apply-port", "from": from, "wanted": to, "range": [0, PORT],
        "touched": [[sector, 2 * sector]], "erases": [[sector, sector, 0x20]], "programs": [[sector, sector]],
    });
    bench.append(&job, "planned", plan);
    let cut_off = map();
    assert_eq!([0, 1, 2, 200].map(|at| cell(&cut_off, at)), [Cell::Data, Cell::Unsure, Cell::Data, Cell::Blank]);
    let writing = cut_off.writing.as_ref().expect("a write was begun");
    assert_eq!((writing.step.as_str(), writing.total()), ("apply-port", 2 * u64::from(SECTOR)));
    assert_eq!(cut_off.before_writing(&bench.dir()).expect("cells")[1], Cell::Differs);
    bench.append(&job, "applied", json!({ "chip": "port", "content": to, "range": [0, PORT], "differing_bytes": 0 }));
    let done = map();
    assert!(done.writing.is_none() && !done.cells.contains(&Cell::Unsure));
    assert!(ChipMap::read(&bench.dir(), &job, "third", &[]).is_err(), "the profile has no such chip");
}

#[test]
fn a_published_file_shows_what_differs_before_it_is_written() {
    let bench = Bench::new();
    let job = bench.convert();
    bench.until(&job, "apply-port");
    let zeros = bench.put("port filled", &vec![0; PORT]);
    bench.append(&job, "captured", json!({ "chip": "port", "content": zeros, "evidence": {} }));
    let folder = bench.file("published");
    std::fs::create_dir(&folder).expect("our own folder");
    let map = || ChipMap::read(&bench.dir(), &job, "port", std::slice::from_ref(&folder)).expect("a map");
    std::fs::write(folder.join("another.bin"), vec![1; PORT]).expect("our own file");
    assert_eq!((map().wanted, cell(&map(), 0)), (None, Cell::Data), "it is not known what is wanted");
    let wanted = image::scenario::meadowlark_port(7);
    std::fs::write(folder.join("as it was called.bin"), &wanted).expect("our own file");
    assert!(matches!(map().wanted, Some(Wanted::File(bytes)) if *bytes == wanted));
    assert_eq!(cell(&map(), 0), Cell::Differs);
    let kept = bench.put("taken in", &wanted);
    assert_eq!((map().wanted, cell(&map(), 0)), (Some(Wanted::Kept(kept)), Cell::Differs));
}

#[test]
fn s12_a_job_shows_its_own_contents_and_no_others() {
    let bench = Bench::new();
    let (one, other) = (bench.convert(), bench.convert());
    bench.until(&other, "compose-main");
    let (_, _, entries) = bench.read(&other);
    let captured = entries.iter().find(|entry| entry.kind == "captured").expect("main was captured");
    let theirs = captured.body["content"].as_str().expect("a content");
    let named = |job: &str| contents::is_named(&bench.dir(), job, theirs).expect("a journal");
    assert!(named(&other) && !named(&one));
    assert!(contents::bytes(&bench.dir(), &other, theirs).is_ok());
    assert!(contents::bytes(&bench.dir(), &one, theirs).is_err());
}

#[test]
fn a_disputed_sector_shows_until_a_capture_is_accepted() {
    let bench = Bench::new();
    let job = bench.convert();
    let evidence = json!({ "differing": [[4096, 12_288]], "differing_sectors": 2 });
    let refused = json!({ "chip": "main", "evidence": evidence, "reseat": { "pin": 6, "signal": "CLK" } });
    bench.append(&job, "refused", refused);
    let map = || ChipMap::read(&bench.dir(), &job, "main", &[]).expect("a map");
    assert_eq!([0, 1, 2, 3].map(|at| cell(&map(), at)), [Cell::Unknown, Cell::Disputed, Cell::Disputed, Cell::Unknown]);
    let tries = reads::tries(&bench.dir(), &job, Some("main")).expect("tries");
    assert_eq!(tries[0].contact.as_ref().map(|contact| contact.pin), Some(6));
    let content = bench.put("main as found", &vec![0xFF; 16 << 20]);
    bench.append(&job, "captured", json!({ "chip": "main", "content": content, "evidence": {} }));
    assert!(!map().cells.contains(&Cell::Disputed));
}
