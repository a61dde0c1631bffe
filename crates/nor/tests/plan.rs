//! Plans against brute force, and the rules that a cheaper plan would break.

use std::ops::Range;

use nor::chip::{Addressing, Chip, EraseType, Region, Times};
use nor::is_blank;
use nor::plan::{Costs, Plan, PlanStep};

const PAGE: u32 = 16;

/// A small chip: pages of 16 bytes, erase types as given (smallest first).
fn chip(size: u32, blocks: &[u32]) -> Chip {
    hybrid(&[(size, blocks)])
}

/// A chip of regions: length and block sizes of each. Equal sizes have one opcode.
fn hybrid(regions: &[(u32, &[u32])]) -> Chip {
    let mut chip = Chip::describe(&[0xEF, 0x40, 0x14], None, 0);
    chip.page = PAGE;
    chip.addressing = Addressing::Three;
    let times = Times { typical_us: 1, max_us: 1 };
    let erase =
        |size: &u32| EraseType { opcode: 0x20 + u8::try_from(size.ilog2()).expect("small"), size: *size, times };
    chip.size = 0;
    chip.regions.clear();
    for (len, blocks) in regions {
        chip.regions.push(Region { at: chip.size, len: *len, erases: blocks.iter().map(erase).collect() });
        chip.size += len;
    }
    let mut sizes: Vec<u32> = regions.iter().flat_map(|(_, blocks)| blocks.iter().copied()).collect();
    sizes.sort_unstable();
    sizes.dedup();
    chip.erases = sizes.iter().map(erase).collect();
    chip
}

fn costs(rng: &mut fastrand::Rng, types: usize) -> Costs {
    Costs {
        erase_ns: (0..types).map(|_| rng.u64(1..4000)).collect(),
        page_ns: rng.u64(1..1000),
        byte_ns: rng.u64(0..20),
        read_byte_ns: 1,
        command_ns: rng.u64(0..50),
        guard_ns: 1,
        read_ns: 1,
        read_bytes: 4096,
    }
}

/// Content of pages that are blank, one of two patterns, or random.
fn content(rng: &mut fastrand::Rng, size: u32) -> Vec<u8> {
    let mut bytes = Vec::new();
    for _ in 0..size / PAGE {
        match rng.u8(0..4) {
            0 | 1 => bytes.extend([0xFF; PAGE as usize]),
            2 => bytes.extend([0xA5; PAGE as usize]),
            _ => bytes.extend((0..PAGE).map(|_| rng.u8(..))),
        }
    }
    bytes
}

/// Every set of erase blocks, tried one by one: what is cheapest. Shares nothing with the planner.
fn brute_force(chip: &Chip, costs: &Costs, present: &[u8], wanted: &[u8], range: &Range<u32>) -> u64 {
    let mut blocks = Vec::new();
    for region in &chip.regions {
        for erase in &region.erases {
            let price = chip.erases.iter().position(|known| known == erase).map(|index| costs.erase_ns[index]);
            for at in (region.at..region.at + region.len).step_by(erase.size as usize) {
                let inside = range.start <= at && at + erase.size <= range.end;
                let touches = at < range.end && range.start < at + erase.size;
                if inside || (touches && erase.size == region.erases[0].size) {
                    blocks.push((at, erase.size, price.expect("a type of the chip") + costs.command_ns));
                }
            }
        }
    }
    let page_cost = costs.page_ns + u64::from(PAGE) * costs.byte_ns + costs.command_ns;
    let mut best = u64::MAX;
    for set in 0_u32..1 << blocks.len() {
        let mut now = present.to_vec();
        let mut cost = 0;
        for (index, (at, size, price)) in blocks.iter().enumerate() {
            if set >> index & 1 == 1 {
                now[*at as usize..(at + size) as usize].fill(0xFF);
                cost += price;
            }
        }
        let mut possible = true;
        for (old, new) in now.chunks(PAGE as usize).zip(wanted.chunks(PAGE as usize)) {
            if old != new {
                possible &= is_blank(old);
                cost += page_cost;
            }
        }
        if possible {
            best = best.min(cost);
        }
    }
    best
}

/// Does what the plan says on a plain array, and counts what it costs.
fn carry_out(chip: &Chip, costs: &Costs, plan: &Plan, present: &[u8], wanted: &[u8]) -> (Vec<u8>, u64) {
    let mut now = present.to_vec();
    let mut cost = 0;
    for step in &plan.steps {
        match *step {
            PlanStep::Erase { at, erase } => {
                now[at as usize..(at + erase.size) as usize].fill(0xFF);
                let region =
                    chip.regions.iter().find(|region| (region.at..region.end()).contains(&at)).expect("a region");
                assert!(region.erases.contains(&erase) && at % erase.size == 0, "a block that is not legal at {at:#x}");
                let level = chip.erases.iter().position(|known| *known == erase).expect("a type of the chip");
                cost += costs.erase_ns[level] + costs.command_ns;
            }
            PlanStep::Program { at, len } => {
                assert_eq!((at % PAGE, len % PAGE), (0, 0), "whole pages");
                for page in (at..at + len).step_by(PAGE as usize) {
                    let stretch = page as usize..(page + PAGE) as usize;
                    assert!(is_blank(&now[stretch.clone()]), "a page that holds data is programmed over at {page:#x}");
                    now[stretch.clone()].copy_from_slice(&wanted[stretch]);
                    cost += costs.page_ns + u64::from(PAGE) * costs.byte_ns + costs.command_ns;
                }
            }
        }
    }
    (now, cost)
}

fn one_case(seed: u64, chip: &Chip) {
    let mut rng = fastrand::Rng::with_seed(seed);
    let size = chip.size;
    let costs = costs(&mut rng, chip.erases.len());
    let present = content(&mut rng, size);
    let range = if rng.bool() {
        0..size
    } else {
        let start = rng.u32(0..size);
        start..rng.u32(start + 1..=size)
    };
    let mut wanted = present.clone();
    let new = content(&mut rng, size);
    for (at, byte) in wanted.iter_mut().enumerate() {
        // Some pages stay as they are, so that sparing them has to pay off.
        if range.contains(&u32::try_from(at).expect("small")) && (seed >> (at / PAGE as usize % 64)) & 1 == 0 {
            *byte = new[at];
        }
    }
    let again = format!("again: FIRMHAND_SEED={seed} cargo test -p nor --test plan");
    let plan = Plan::new(chip, &costs, &present, &wanted, range.clone()).expect("a plan");
    let (result, cost) = carry_out(chip, &costs, &plan, &present, &wanted);
    assert!(result == wanted, "the plan does not reach the wanted content; {again}");
    assert_eq!(cost, plan.cost_ns, "the plan's own cost; {again}");
    assert_eq!(plan.cost_ns, brute_force(chip, &costs, &present, &wanted, &range), "the cheapest; {again}");
}

/// The seed to repeat alone, or `count` seeds.
fn seeds(count: u64) -> Range<u64> {
    match std::env::var("FIRMHAND_SEED") {
        Ok(seed) => {
            let seed: u64 = seed.parse().expect("FIRMHAND_SEED is a number");
            seed..seed + 1
        }
        Err(_) => 0..count,
    }
}

#[test]
fn ten_thousand_small_plans_equal_brute_force() {
    for seed in seeds(10_000) {
        let shapes: [(&[u32], u32); 4] = [(&[32, 64, 128], 128), (&[16, 64], 64), (&[64], 256), (&[32, 128], 128)];
        let mixed = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15);
        let (blocks, size) = shapes[(seed % 4) as usize];
        one_case(mixed, &chip(size, blocks));
    }
}

#[test]
fn plans_over_three_levels_and_two_roots_equal_brute_force() {
    for seed in seeds(60) {
        one_case(seed.wrapping_mul(0xD134_2543_DE82_EF95), &chip(256, &[32, 64, 128]));
    }
}

/// Small sectors at one end or at both, and a region whose opcode has other sizes than its neighbour's.
#[test]
fn plans_over_hybrid_regions_equal_brute_force() {
    let shapes: [&[(u32, &[u32])]; 5] = [
        &[(64, &[16, 32]), (64, &[64]), (128, &[128])],
        &[(128, &[64]), (64, &[32]), (64, &[16])],
        &[(32, &[16]), (32, &[32]), (64, &[16, 64]), (128, &[32, 128])],
        &[(64, &[64]), (32, &[16, 32]), (32, &[32])],
        &[(128, &[32, 128]), (128, &[128])],
    ];
    for seed in seeds(2_000) {
        let mixed = seed.wrapping_mul(0xA076_1D64_78BD_642F);
        one_case(mixed, &hybrid(shapes[(seed % 5) as usize]));
    }
}

#[test]
fn a_chip_that_is_not_covered_by_regions_gets_no_plan() {
    let mut chip = hybrid(&[(64, &[32]), (64, &[64])]);
    let costs = costs(&mut fastrand::Rng::with_seed(1), 2);
    chip.regions.pop();
    let plan = Plan::new(&chip, &costs, &[0; 128], &[1; 128], 0..128);
    assert_eq!(plan, Err(nor::plan::PlanError::NoErase));
}

#[test]
fn s8_a_range_touches_nothing_beside_it_but_the_smallest_sector() {
    let chip = chip(256, &[32, 128]);
    let costs = costs(&mut fastrand::Rng::with_seed(1), 2);
    let present = vec![0xA5; 256];
    let mut wanted = present.clone();
    wanted[40..200].fill(0x11);
    let plan = Plan::new(&chip, &costs, &present, &wanted, 40..200).expect("a plan");
    let touched = plan.touched();
    assert_eq!((touched[0].start, touched[touched.len() - 1].end), (32, 224));
    let (result, _) = carry_out(&chip, &costs, &plan, &present, &wanted);
    assert_eq!(result, wanted);
}

#[test]
fn equal_contents_need_nothing() {
    let chip = chip(128, &[32, 128]);
    let costs = costs(&mut fastrand::Rng::with_seed(1), 2);
    let plan = Plan::new(&chip, &costs, &[7; 128], &[7; 128], 0..128).expect("a plan");
    assert!(plan.is_empty());
    assert_eq!(plan.cost_ns, 0);
}
