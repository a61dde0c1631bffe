//! The short form of the campaign, and proofs that it can fail.

use campaign::{Canary, Span, many, play};

/// `FIRMHAND_SEED=N` plays one seed alone.
fn seed() -> Option<u64> {
    std::env::var("FIRMHAND_SEED").ok()?.parse().ok()
}

#[test]
fn s1_s2_s3_s6_s9_nothing_is_lost_in_300_seeds() {
    let span = seed().map_or(Span { from: 1, seeds: 300, threads: 2 }, |from| Span { from, seeds: 1, threads: 1 });
    let tally = many(span, |outcome| {
        if !outcome.findings.is_empty() {
            println!("{}", outcome.story());
        }
    })
    .expect("the campaign's own files");
    println!("{tally}");
    let again = tally.failed.first().map_or(0, |seed| *seed);
    assert!(
        tally.failed.is_empty(),
        "again: FIRMHAND_SEED={again} cargo test -p campaign nothing_is_lost -- --nocapture"
    );
    if seed().is_none() {
        // What the seeds are for has to come in them, and most of what they want has to be reached.
        let missing: Vec<_> =
            campaign::faults::KINDS.iter().filter(|(_, kind)| !tally.fired.contains_key(kind)).collect();
        assert!(missing.is_empty(), "faults that never came: {missing:?}");
        let done = tally.ends.get("done").copied().unwrap_or(0);
        assert!(done > tally.seeds, "{done} commands were done in {} seeds", tally.seeds);
    }
}

#[test]
fn two_runs_of_a_seed_give_one_trace() {
    for seed in [3, 18, 40, 77, 109, 150] {
        let [one, other] = [(); 2].map(|()| play(seed, None).expect("the campaign's own files").trace);
        assert_eq!(one, other, "seed {seed}");
    }
}

/// A campaign that finds nothing in a broken build would prove nothing about a sound one.
#[test]
fn each_build_that_is_broken_on_purpose_is_found_out() {
    const MOST: u64 = 60;
    for (canary, says) in [
        (Canary::LostProgram, "the chip holds"),
        (Canary::NoCapture, "S1"),
        (Canary::EarlyClaim, "is claimed"),
        (Canary::LostPack, "is not in the store"),
        (Canary::ProtectionForgotten, "S9"),
        (Canary::Unguarded, "S6"),
        (Canary::WritesAndRefuses, "refused, and the chip was written"),
    ] {
        let found = (1..=MOST).find(|seed| {
            let outcome = play(*seed, Some(canary)).expect("the campaign's own files");
            outcome.findings.iter().any(|finding| finding.contains(says))
        });
        let seed = found.unwrap_or_else(|| panic!("{canary:?} is not found out in {MOST} seeds"));
        println!("{canary:?}: seed {seed}");
    }
}
