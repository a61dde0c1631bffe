//! Wiring faults of any kind, at any rate, in any company: nothing panics or hangs, and what is over is over.

mod common;

use common::{pattern, read, send};
use nor::link::{Link, Request};
use proptest::prelude::*;
use sim::VirtualBench;

const SMALL: &str = "marking = \"W25Q80DV\"";

/// A fault that is over at 100 ms, with extreme values more often than not.
fn any_fault() -> impl Strategy<Value = String> {
    let kind = prop::sample::select(vec![
        "noise",
        "open-data-out",
        "open-contact\"\nsignal = \"clock",
        "open-contact\"\nsignal = \"chip-select",
        "open-contact\"\nsignal = \"data-in",
        "open-contact\"\nsignal = \"hold",
        "open-contact\"\nsignal = \"write-protect",
        "open-contact\"\nsignal = \"supply",
        "open-contact\"\nsignal = \"ground",
        "weak-data-out",
        "clock-slip",
        "select-bounce",
        "address-error",
        "address-error\" # stuck",
        "supply-sag",
        "late-sampling",
        "constant-shift",
        "bus-contention",
        "size-alias",
        "hold-floating",
        "hold-floating\"\nsignal = \"write-protect",
    ]);
    let rate = prop::sample::select(vec!["0.0", "1e-300", "1e-6", "0.001", "0.5", "1.0"]);
    let severity = prop::sample::select(vec!["1e-300", "0.001", "0.5", "1.0"]);
    let pull = prop::sample::select(vec!["up", "down"]);
    let when = prop_oneof![
        (0..100_000_u32, 1..100_000_u32).prop_map(|(from, until)| {
            let (from, until) = (from.min(until), from.max(until) + 1);
            format!("from_us = {from}\nuntil_us = {until}")
        }),
        Just("until_us = 100000".to_owned()),
        (0..50_000_u32).prop_map(|at| format!("at_us = {at}")),
    ];
    (kind, rate, severity, pull, when).prop_map(|(kind, rate, severity, pull, when)| {
        let bit = if kind.ends_with("stuck") { "bit = 15\n" } else { "" };
        format!("[[fault]]\nkind = \"{kind}\"\nrate = {rate}\nseverity = {severity}\npull = \"{pull}\"\n{bit}{when}\n")
    })
}

proptest! {
    #[test]
    fn no_wiring_makes_the_bench_panic_and_what_is_over_is_over(
        seed: u32,
        faults in prop::collection::vec(any_fault(), 0..4),
        reads in prop::collection::vec((0_u32..1 << 20, 0_u32..3000), 1..6),
    ) {
        let text = format!("[link]\nfeatures = [\"line-test\"]\n{}", faults.concat());
        let mut file = common::file(SMALL, &text);
        file.seed = seed.into();
        let mut bench = VirtualBench::in_memory(file, pattern(1 << 20)).expect("a fitting content");
        let content = bench.chip_content();
        for (at, len) in &reads {
            prop_assert_eq!(read(&mut bench, *at, *len).len(), *len as usize);
            bench.run(&Request::LineTest, u64::MAX).expect("the link is there");
        }
        prop_assert!(bench.chip_content() == content, "nothing enabled a write");
        // Openings and events of one moment that nothing has met yet are met here, and the chip is woken.
        bench.wait_us(200_000);
        for _ in 0..3 {
            read(&mut bench, 0, 3000);
            send(&mut bench, &[0xAB], 0);
        }
        if !faults.iter().any(|fault| fault.contains("size-alias") && fault.contains("at_us")) {
            prop_assert_eq!(send(&mut bench, &[0x9F], 3), [0xEF, 0x40, 0x14]);
            for (at, len) in &reads {
                let wanted: Vec<u8> = content.iter().cycle().skip(*at as usize).take(*len as usize).copied().collect();
                prop_assert!(read(&mut bench, *at, *len) == wanted);
            }
        }
    }
}
