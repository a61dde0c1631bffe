//! How long planning takes: `cargo bench -p nor`.

use nor::chip::Chip;
use nor::link::{Features, Limits};
use nor::plan::{Costs, Plan};

fn main() {
    divan::main();
}

/// 32 MiB: a third blank, a third unchanged, a third new, in stretches of 16 KiB.
#[divan::bench]
fn plan_32_mib(bencher: divan::Bencher<'_, '_>) {
    let chip = Chip::describe(&[0xEF, 0x40, 0x19], None, 0);
    let limits = Limits {
        max_transfer: 65_536,
        max_range: 1 << 20,
        clock_hz: (100_000, 12_000_000),
        features: Features::default(),
        drives: None,
        round_trip_us: 0,
        bytes_per_second: None,
    };
    let costs = Costs::of(&chip, &limits, 12_000_000);
    let mut rng = fastrand::Rng::with_seed(1);
    let mut present = vec![0xFF; chip.size as usize];
    rng.fill(&mut present);
    let mut wanted = present.clone();
    for stretch in wanted.chunks_mut(16 * 1024) {
        match rng.u8(0..3) {
            0 => stretch.fill(0xFF),
            1 => rng.fill(stretch),
            _ => {}
        }
    }
    bencher.bench_local(|| Plan::new(&chip, &costs, &present, &wanted, 0..chip.size).expect("a plan"));
}
