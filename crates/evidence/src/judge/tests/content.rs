//! Rules 3 and 4: what the content says of the chip's size, and what must support content that repeats.

use super::*;

#[test]
fn rule_3_sizes_that_disagree_refuse_unless_the_content_proves_the_largest() {
    let content = firmware(1, SIZE as usize);
    let declared = Declared { table_size: Some(SIZE / 2), ..both_say(SIZE) };
    let judgement = judge(&two(&content), &declared);
    assert!(judgement.accepted, "{:?}", refusals(&judgement));
    assert_eq!(judgement.size, SizeProof::Measured);
    let conflict =
        Reason::SizesConflict { declared: SIZE, catalogue: Some(SIZE), table: Some(SIZE / 2), measured: true };
    assert!(judgement.reasons.contains(&conflict));

    let blank = vec![0xFF; SIZE as usize];
    let conflict =
        Reason::SizesConflict { declared: SIZE, catalogue: Some(SIZE), table: Some(SIZE / 2), measured: false };
    refused_only_by(&judge(&two(&blank), &declared), &conflict);

    let declared = Declared { catalogue_size: Some(2 * SIZE), ..both_say(SIZE) };
    let conflict =
        Reason::SizesConflict { declared: SIZE, catalogue: Some(2 * SIZE), table: Some(SIZE), measured: false };
    refused_only_by(&judge(&two(&content), &declared), &conflict);
}

#[test]
fn rule_3_a_smaller_chip_behind_one_declared_size_is_contradicted() {
    let half = firmware(2, SIZE as usize / 2);
    let content = [half.clone(), half].concat();
    for (catalogue_size, table_size) in [(Some(SIZE), None), (None, Some(SIZE))] {
        let declared = Declared { catalogue_size, table_size, ..both_say(SIZE) };
        let judgement = judge(&two(&content), &declared);
        let how = Repetition::Doubled { period: SIZE / 2 };
        refused_only_by(&judgement, &Reason::RepeatsUnsupported { how, lacks: Lack::SecondSize });
        assert_eq!(judgement.size, SizeProof::Contradicted { measured: SIZE / 2 });
        assert!(refusals(&judgement)[0].to_string().contains("may be a smaller chip of 131072 bytes"));
    }
}

#[test]
fn rule_4_a_doubled_half_is_accepted_with_both_sizes_and_answers_between() {
    let half = firmware(2, SIZE as usize / 2);
    let content = [half.clone(), half].concat();
    let how = Repetition::Doubled { period: SIZE / 2 };
    let judgement = judge(&two(&content), &both_say(SIZE));
    assert!(judgement.accepted && judgement.reasons.contains(&Reason::RepeatsSupported { how }));
    assert_eq!(judgement.size, SizeProof::Unproven { why: WhyUnproven::Repeats(how) });
    assert!(judgement.words().iter().any(|sentence| sentence.contains("not proven")));
}

#[test]
fn rule_4_repeated_content_needs_answers_between_at_the_same_clock_in_every_pass() {
    let blank = vec![0xFF; SIZE as usize];
    let how = Repetition::Uniform { byte: 0xFF };
    let refusal = Reason::RepeatsUnsupported { how, lacks: Lack::AnswersBetween };
    assert!(judge(&two(&blank), &both_say(SIZE)).accepted);

    let mut passes = two(&blank);
    passes[1].between.clear();
    refused_only_by(&judge(&passes, &both_say(SIZE)), &refusal);

    // Asked for its id alone, a chip with tables has not answered as rightly as it could.
    let mut passes = two(&blank);
    passes[0].between[0].tables_ok = None;
    refused_only_by(&judge(&passes, &both_say(SIZE)), &refusal);

    let mut passes = two(&blank);
    all_answers(&mut passes, |answer| answer.tables_ok = None);
    refused_only_by(&judge(&passes, &both_say(SIZE)), &refusal);
    let without_tables = Declared { table_size: None, ..both_say(SIZE) };
    assert!(judge(&passes, &without_tables).accepted);
    // Seen to have tables once, it is a chip with tables.
    passes[0].before.tables_ok = Some(true);
    refused_only_by(&judge(&passes, &without_tables), &refusal);

    let mut passes = two(&blank);
    passes[1].between = vec![answer(4_000_000)];
    refused_only_by(&judge(&passes, &both_say(SIZE)), &refusal);
}

#[test]
fn rule_4_a_short_unit_is_accepted_from_one_size_and_refused_from_none() {
    let pattern: Vec<u8> = [1, 2, 3].iter().copied().cycle().take(SIZE as usize).collect();
    let how = Repetition::Pattern { period: 3 };
    let one = Declared { catalogue_size: None, ..both_say(SIZE) };
    let judgement = judge(&two(&pattern), &one);
    assert!(judgement.accepted);
    assert_eq!(judgement.size, SizeProof::Unproven { why: WhyUnproven::Repeats(how) });

    let none = Declared { table_size: None, ..one };
    refused_only_by(&judge(&two(&pattern), &none), &Reason::RepeatsUnsupported { how, lacks: Lack::AnySize });
}

#[test]
fn rule_4_repeated_content_that_this_job_applied_is_accepted_and_other_is_not() {
    let half = firmware(2, SIZE as usize / 2);
    let content = [half.clone(), half].concat();
    let mut passes = two(&content);
    passes[0].between.clear();
    let mut declared = Declared { table_size: None, known_content: Some(&content), ..both_say(SIZE) };
    let judgement = judge(&passes, &declared);
    let how = Repetition::Doubled { period: SIZE / 2 };
    assert!(judgement.accepted && judgement.reasons.contains(&Reason::RepeatsAsApplied { how }));

    let mut other = content.clone();
    other[9] ^= 1;
    declared.known_content = Some(&other);
    assert!(!judge(&passes, &declared).accepted);
}

#[test]
fn rule_4_an_address_line_that_changes_nothing_counts_like_a_doubled_half() {
    let chip = firmware(6, SIZE as usize);
    let read: Vec<u8> = (0..chip.len()).map(|at| chip[at | 1 << 13]).collect();
    let how = Repetition::DeadLine { line: 1 << 13 };
    let declared = Declared { table_size: None, ..both_say(SIZE) };
    let judgement = judge(&two(&read), &declared);
    refused_only_by(&judgement, &Reason::RepeatsUnsupported { how, lacks: Lack::SecondSize });
    assert!(judge(&two(&read), &both_say(SIZE)).accepted);
}

#[test]
fn rule_4_a_large_chip_read_as_its_lower_16_mib_twice_needs_a_four_byte_command() {
    let half = firmware(8, 16 << 20);
    let content = [half.clone(), half].concat();
    let size = 32 << 20;
    let how = Repetition::Doubled { period: 16 << 20 };
    let mut passes = two(&content);
    refused_only_by(&judge(&passes, &both_say(size)), &Reason::RepeatsUnsupported { how, lacks: Lack::LongAddress });
    passes[1].opcode = 0x13;
    assert!(judge(&passes, &both_say(size)).accepted);
}

#[test]
fn rule_4_a_chip_that_three_address_bytes_reach_needs_no_four_byte_command() {
    let half = firmware(8, 8 << 20);
    let content = [half.clone(), half].concat();
    assert!(judge(&two(&content), &both_say(16 << 20)).accepted);
}

#[test]
fn rule_4_tables_out_of_place_refuse_and_missing_ones_need_the_catalogue() {
    let content = firmware(1, SIZE as usize);
    let mut passes = two(&content);
    passes[1].between[0].tables_ok = Some(false);
    refused_only_by(&judge(&passes, &both_say(SIZE)), &Reason::TablesWrong { pass: 2, moment: Moment::Between });

    let mut passes = two(&content);
    all_answers(&mut passes, |answer| answer.tables_ok = None);
    let mut declared = Declared { table_size: None, ..both_say(SIZE) };
    let judgement = judge(&passes, &declared);
    assert!(judgement.accepted && judgement.reasons.contains(&Reason::NoTables));

    // A wire that shifts every bit: an id nobody knows, and no signature where it should be.
    declared.catalogue_size = None;
    declared.maker_known = false;
    let id = vec![0xEF, 0x40, 0x18];
    refused_only_by(&judge(&passes, &declared), &Reason::Undescribed { id: id.clone(), maker_known: false });
    // An unknown part of a known maker can be read.
    declared.maker_known = true;
    let judgement = judge(&passes, &declared);
    assert!(judgement.accepted, "{:?}", refusals(&judgement));
    assert!(judgement.reasons.contains(&Reason::Undescribed { id, maker_known: true }));
}

#[test]
fn rule_4_a_shift_between_passes_is_named() {
    let content = firmware(1, SIZE as usize);
    let late: Vec<u8> = (0..content.len()).map(|at| content[at] >> 1 | content[at.saturating_sub(1)] << 7).collect();
    let passes = [bytes_pass(&content), pass_of(PassContent::Bytes(&late), 8_000_000)];
    let judgement = judge(&passes, &both_say(SIZE));
    assert!(!judgement.accepted);
    let named = judgement.reasons.iter().any(
        |reason| matches!(reason, Reason::Shifted { pass: 2, against: 1, shift } if shift.bits == 1 && shift.later),
    );
    assert!(named, "{:?}", judgement.reasons);
}
