//! The wiring: the other end of the wires is that of the link.

use job::vault::{JobId, Journal};
use serde_json::json;

use super::Bench;

#[test]
fn the_wiring_shows_where_the_wires_of_this_link_go() {
    let bench = Bench::open();
    let visitor = bench.visitor();
    let wiring = format!("{}/wiring", bench.page());
    assert!(visitor.get(&wiring).contains("RP2040 board, from above"));
    let vault = job::open_bench(&bench.path()).expect("the bench");
    let id = JobId::new(&bench.job).expect("an id");
    let seen = |link: &str| {
        let mut journal = Journal::open(&vault, &id, "test", "2026-03-01T09:00:00Z").expect("the journal");
        journal.append("link-held", json!({ "link": link, "by": "Ana" }), "2026-03-01T09:00:00Z").expect("an entry");
    };
    seen("/dev/spidev0.1");
    let page = visitor.get(&wiring);
    assert!(page.contains("the header of /dev/spidev0.1") && !page.contains("RP2040 board"), "{page}");
    assert!(page.contains("<td><b>26</b></td><td>chip select 1</td>"), "{page}");
    seen("/dev/mtd0");
    assert!(visitor.get(&wiring).contains("No wire goes to this chip"));
}
