//! Each rule with a case it accepts and a case it refuses, and random sets of passes against the plain rule.

mod content;

use super::*;
use crate::pass::crc32_blocks;
use crate::testing::{Draw, answer, bytes_pass, firmware, for_seeds, pass_of};

const SIZE: u32 = 1 << 18;

fn both_say(size: u32) -> Declared<'static> {
    Declared { size, catalogue_size: Some(size), table_size: Some(size), maker_known: true, known_content: None }
}

/// Two healthy passes of `content`, at 4 and 8 MHz.
fn two(content: &[u8]) -> Vec<Pass<'_>> {
    vec![pass_of(PassContent::Bytes(content), 4_000_000), pass_of(PassContent::Bytes(content), 8_000_000)]
}

fn refusals(judgement: &Judgement) -> Vec<&Reason> {
    judgement.reasons.iter().filter(|reason| reason.severity() == Severity::Refuses).collect()
}

#[track_caller]
fn refused_only_by(judgement: &Judgement, wanted: &Reason) {
    assert!(!judgement.accepted);
    assert_eq!(refusals(judgement), [wanted]);
}

/// Changes every answer of every pass.
fn all_answers(passes: &mut [Pass<'_>], change: impl Fn(&mut ChipAnswer)) {
    for pass in passes {
        change(&mut pass.before);
        pass.between.iter_mut().for_each(&change);
        change(&mut pass.after);
    }
}

#[test]
fn two_equal_passes_at_two_clocks_are_accepted() {
    let content = firmware(1, SIZE as usize);
    let judgement = judge(&two(&content), &both_say(SIZE));
    assert_eq!(judgement.reasons, [Reason::KindsDiffer { clock: true, opcode: false, order: false }]);
    assert!(judgement.accepted);
    assert_eq!((judgement.agreed_passes, judgement.differing_bits, judgement.differing_sectors), (2, 0, 0));
    assert_eq!(judgement.size, SizeProof::Measured);
    assert_eq!(judgement.error_bound_95, error_bound_95(2 * 8 * u64::from(SIZE)));
}

#[test]
fn a_digest_pass_counts_and_is_named() {
    let content = firmware(1, SIZE as usize);
    let mut digests = crc32_blocks(&content);
    let passes = [bytes_pass(&content), pass_of(PassContent::Digests(&digests), 8_000_000)];
    let judgement = judge(&passes, &both_say(SIZE));
    assert!(judgement.accepted);
    assert_eq!(judgement.agreed_passes, 2);
    assert!(judgement.reasons.contains(&Reason::ByDigest { passes: 1 }));
    assert!(judgement.words().iter().any(|sentence| sentence.contains("2^-32")));

    digests[7] ^= 1 << 31;
    let passes = [bytes_pass(&content), pass_of(PassContent::Digests(&digests), 8_000_000)];
    let judgement = judge(&passes, &both_say(SIZE));
    refused_only_by(&judgement, &Reason::PassesDiffer { sectors: 1, bits: 0, agreed: 1, passes: 2 });
    assert_eq!(judgement.differing.as_slice(), std::slice::from_ref(&(7 * 4096..8 * 4096)));
}

#[test]
fn digests_alone_are_no_capture() {
    let digests = crc32_blocks(&firmware(1, SIZE as usize));
    let passes = [PassContent::Digests(&digests); 2];
    let passes = [pass_of(passes[0], 4_000_000), pass_of(passes[1], 8_000_000)];
    let judgement = judge(&passes, &both_say(SIZE));
    refused_only_by(&judgement, &Reason::NoBytes);
    assert_eq!(judgement.size, SizeProof::Unproven { why: WhyUnproven::NoContent });
}

#[test]
fn rule_1_fewer_than_two_passes_are_refused() {
    let content = firmware(1, SIZE as usize);
    let judgement = judge(&[bytes_pass(&content)], &both_say(SIZE));
    refused_only_by(&judgement, &Reason::TooFewPasses { passes: 1 });
    assert_eq!(judgement.error_bound_95, None);
    assert!(judgement.words().is_empty());
    assert!(!judge(&[], &both_say(SIZE)).accepted);
}

#[test]
fn rule_1_one_kind_is_refused_and_any_difference_of_kind_suffices() {
    let content = firmware(1, SIZE as usize);
    let base = bytes_pass(&content);
    let kinds = |clock, opcode, order| Reason::KindsDiffer { clock, opcode, order };
    let with = |change: &dyn Fn(&mut Pass<'_>)| {
        let mut passes = [base.clone(), base.clone()];
        change(&mut passes[1]);
        judge(&passes, &both_say(SIZE))
    };
    refused_only_by(&with(&|_| ()), &Reason::OneKind);
    // A few hertz are the same clock.
    refused_only_by(&with(&|pass| pass.clock_hz += 1), &Reason::OneKind);
    assert_eq!(with(&|pass| pass.clock_hz = 5_000_000).reasons, [kinds(true, false, false)]);
    assert_eq!(with(&|pass| pass.opcode = 0x0B).reasons, [kinds(false, true, false)]);
    assert_eq!(with(&|pass| pass.order = Order::Descending).reasons, [kinds(false, false, true)]);
    assert_eq!(with(&|pass| pass.chunk = 4096).reasons, [kinds(false, false, true)]);
}

#[test]
fn rule_1_an_order_means_nothing_when_the_whole_chip_is_one_chunk() {
    let content = firmware(1, SIZE as usize);
    let mut passes = [bytes_pass(&content), bytes_pass(&content)];
    passes[0].chunk = 0;
    passes[1].chunk = SIZE;
    passes[1].order = Order::Descending;
    refused_only_by(&judge(&passes, &both_say(SIZE)), &Reason::OneKind);
}

#[test]
fn rule_1_no_majority_settles_a_difference() {
    let content = firmware(1, SIZE as usize);
    let mut odd = content.clone();
    odd[100_000] ^= 0x81;
    let mut passes = two(&content);
    passes.insert(0, pass_of(PassContent::Bytes(&odd), 12_000_000));
    let judgement = judge(&passes, &both_say(SIZE));
    refused_only_by(&judgement, &Reason::PassesDiffer { sectors: 1, bits: 2, agreed: 2, passes: 3 });
    assert_eq!(judgement.error_bound_95, None);
    assert_eq!(judgement.size, SizeProof::Unproven { why: WhyUnproven::PassesDiffer });
}

#[test]
fn rule_1_any_single_flipped_bit_anywhere_refuses() {
    for_seeds("rule_1_any_single_flipped_bit_anywhere_refuses", 60, |seed| {
        let mut draw = Draw::new(seed);
        let size = SIZE + draw.below(5000) as u32;
        let content = firmware(seed, size as usize);
        let at = draw.below(u64::from(size)) as usize;
        let mut flipped = content.clone();
        flipped[at] ^= 1 << draw.below(8);
        let passes = [bytes_pass(&content), pass_of(PassContent::Bytes(&flipped), 8_000_000)];
        let judgement = judge(&passes, &both_say(size));
        refused_only_by(&judgement, &Reason::PassesDiffer { sectors: 1, bits: 1, agreed: 1, passes: 2 });
        assert!(judgement.differing.len() == 1 && judgement.differing[0].contains(&(at as u32)));
    });
}

#[test]
fn rule_1_a_pass_of_another_length_is_refused() {
    let content = firmware(1, SIZE as usize);
    let mut passes = two(&content);
    passes[1].content = PassContent::Bytes(&content[..content.len() - 1]);
    let judgement = judge(&passes, &both_say(SIZE));
    let (has, wanted) = (SIZE as usize - 1, SIZE as usize);
    refused_only_by(&judgement, &Reason::PassLength { pass: 2, has, wanted });
    assert_eq!(judgement.agreed_passes, 0);
}

#[test]
fn rule_2_any_change_of_the_chip_at_any_moment_refuses() {
    let content = firmware(1, SIZE as usize);
    type Change = fn(&mut ChipAnswer);
    let changes: [(Trait, Change); 4] = [
        (Trait::Id, |answer| answer.id[2] ^= 1),
        (Trait::UniqueId, |answer| answer.unique_id = None),
        (Trait::UniqueId, |answer| {
            answer.unique_id = Some(vec![9; 8]);
        }),
        (Trait::Status, |answer| answer.status[1] ^= 0x40),
    ];
    for (wanted, change) in changes {
        for at in 1..6 {
            let mut passes = two(&content);
            let pass = &mut passes[at / 3];
            change(match at % 3 {
                0 => &mut pass.before,
                1 => &mut pass.between[0],
                _ => &mut pass.after,
            });
            let judgement = judge(&passes, &both_say(SIZE));
            let [Reason::ChipChanged { what, pass, moment, was, is }] = refusals(&judgement)[..] else {
                panic!("{wanted:?} at {at}: {:?}", judgement.reasons);
            };
            assert_eq!((*what, *pass), (wanted, at / 3 + 1));
            assert_eq!(*moment, [Moment::Before, Moment::Between, Moment::After][at % 3]);
            assert_ne!(was, is);
        }
    }
}

#[test]
fn rule_2_an_idle_wire_is_no_chip() {
    let content = firmware(1, SIZE as usize);
    for id in [vec![], vec![0xFF; 3], vec![0; 3]] {
        let mut passes = two(&content);
        all_answers(&mut passes, |answer| answer.id.clone_from(&id));
        refused_only_by(&judge(&passes, &both_say(SIZE)), &Reason::NoId { id });
    }
}

#[test]
fn words_say_what_agreement_cannot_exclude() {
    let content = firmware(1, SIZE as usize);
    let mut passes = two(&content);
    all_answers(&mut passes, |answer| answer.unique_id = None);
    let judgement = judge(&passes, &both_say(SIZE));
    assert!(judgement.accepted);
    let words = judgement.words().join("\n");
    // 3 / (2 passes x 2^21 bits) = 7.15e-7; the bound's 2.9957 gives 7.1e-7.
    for part in ["2 passes", "7.1e-7", "repeats the same at every clock", "same false answer", "no unique id"] {
        assert!(words.contains(part), "{part} in {words}");
    }
}

#[test]
fn a_chip_of_no_size_is_refused_without_a_panic() {
    let passes = two(&[]);
    let judgement = judge(
        &passes,
        &Declared { size: 0, catalogue_size: None, table_size: None, maker_known: true, known_content: None },
    );
    assert_eq!(judgement.size, SizeProof::Unproven { why: WhyUnproven::TooSmall });
    refused_only_by(&judgement, &Reason::NoSize);
    assert_eq!(judgement.error_bound_95, None);
}
