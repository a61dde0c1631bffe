//! `chip apply --plan-only`: the plan as JSON is played on an array by code that shares nothing with the planner.

use serde_json::Value;

use crate::common::{Bench, MIB, noise};

/// Page of the chip that these tests use.
const PAGE: usize = 256;

fn number(value: &Value) -> usize {
    usize::try_from(value.as_u64().expect("a number")).expect("fits")
}

fn ms(value: &Value) -> f64 {
    value.as_f64().expect("a number")
}

/// Plays a plan on `cells`: an erase makes ones, a program takes ones away; answers the cost by the plan's own model.
#[expect(clippy::cast_precision_loss, reason = "counts of a 1 MiB chip")]
fn play(plan: &Value, cells: &mut [u8], wanted: &[u8]) -> f64 {
    let model = &plan["cost_model"];
    let command = ms(&model["wire_us_per_command"]) / 1000.0;
    let byte = ms(&model["wire_us_per_byte"]) / 1000.0;
    let mut cost = 0.0;
    for erase in plan["erases"].as_array().expect("a list") {
        let (at, size) = (number(&erase["at"]), number(&erase["size"]));
        assert_eq!(at % size, 0, "an erase stands on its own boundary");
        cells[at..at + size].fill(0xFF);
        cost += ms(&model["erase_ms"][size.to_string()]) + command;
    }
    for stretch in plan["programs"].as_array().expect("a list") {
        let (at, end) = (number(&stretch[0]), number(&stretch[0]) + number(&stretch[1]));
        let mut from = at;
        while from < end {
            let to = end.min((from / PAGE + 1) * PAGE);
            let page = from / PAGE * PAGE;
            assert!(cells[page..page + PAGE].iter().all(|byte| *byte == 0xFF), "the page at {page:#x} holds data");
            cells[from..to].copy_from_slice(&wanted[from..to]);
            cost += ms(&model["page_ms"]) + (to - from) as f64 * byte + command;
            from = to;
        }
    }
    cost
}

/// Plans from `present` to `wanted`, and checks everything that a plan promises.
fn check(present: &[u8], image: &[u8], at: usize, what: &str) {
    let bench = Bench::with_chip();
    bench.write("chip.bin", present);
    bench.write("new.bin", image);
    let plan = bench.json(&format!("chip apply new.bin --link chip.toml --plan-only --at {at}"));
    assert_eq!(bench.read("chip.bin"), present, "{what}: nothing is written");
    assert_eq!(bench.happened(), Vec::<String>::new(), "{what}: no capture is needed");
    let mut wanted = present.to_vec();
    wanted[at..at + image.len()].copy_from_slice(image);
    let mut cells = present.to_vec();
    let cost = play(&plan, &mut cells, &wanted);
    assert!(cells == wanted, "{what}: the plan does not reach the wanted content");
    let said = ms(&plan["cost_ms"]);
    assert!((cost - said).abs() < 0.01, "{what}: the formula gives {cost} ms, the plan says {said}");
    let all = said + ms(&plan["verify_ms"]) + ms(&plan["checks_ms"]);
    assert!((all - ms(&plan["predicted_ms"])).abs() < 0.001, "{what}: {all} ms in all");
}

#[test]
fn a_plan_reaches_the_wanted_content_at_the_stated_cost() {
    let (old, new) = (noise(1, MIB), noise(2, MIB));
    check(&old, &new, 0, "everything changes");
    check(&old, &old, 0, "nothing changes");
    check(&vec![0xFF; MIB], &new, 0, "a blank chip");
    check(&old, &vec![0xFF; MIB], 0, "to blank");
    check(&old, &vec![0; MIB], 0, "to zeros");
    check(&old, &noise(3, 5000), 0x1234, "a part off every boundary");
    check(&old, &noise(3, 1), MIB - 1, "the last byte");
}

#[test]
fn random_changes_are_planned_rightly() {
    for seed in 0..15 {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut old = noise(seed + 100, MIB);
        for _ in 0..random.usize(0..6) {
            let from = random.usize(0..MIB);
            old[from..(from + random.usize(0..0x3_0000)).min(MIB)].fill(0xFF);
        }
        let mut new = old.clone();
        for _ in 0..random.usize(0..40) {
            let from = random.usize(0..MIB);
            let to = (from + random.usize(1..0x2000)).min(MIB);
            if random.bool() { new[from..to].fill(0xFF) } else { random.fill(&mut new[from..to]) }
        }
        check(&old, &new, 0, &format!("seed {seed} of cargo test -p firmhand random_changes"));
    }
}
