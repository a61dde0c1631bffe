//! A flash that the kernel drives: what may be believed of it, and what stands in front of a write.
//!
//! The kernel keeps the chip's id, status and clock to itself. So the rules are others than over wires:
//!
//! | rule | over the kernel |
//! |---|---|
//! | S1 | holds; "this chip" is the kernel's name, size and place |
//! | S4, S6, S9, S13 | do not apply: there is no wire, and the kernel keeps supply, status and protection |
//! | S5 | name, size and erase size are the kernel's |
//! | evidence | passes differ in the order of their chunks alone; the size is the kernel's and counts as unproven |
//!
//! What a reader would question: content that repeats (an erased flash) is no ground for a refusal here. Over wires it is,
//! because a dead line looks the same; the kernel asked the chip for its id before it showed the flash at all.

use driver::{Identity, SizeMeasure};
use evidence::{Judgement, Reason, Severity, SizeProof, Verdict};
use link::mtd::Facts;
use nor::protection::Protection;

use crate::error::JobError;
use crate::front::{Question, QuestionKind};
use crate::session::Session;
use crate::text::size;

/// The identity of a flash that the kernel drives.
pub(crate) fn identity(facts: &Facts) -> Identity {
    Identity {
        chip: facts.describe(),
        status: Vec::new(),
        unique_id: None,
        tables: None,
        size: SizeMeasure::Unproven,
        protection: Protection::Unknown,
    }
}

/// The judgement without what only a chip on wires could answer.
pub(crate) fn judged(mut judgement: Judgement) -> Judgement {
    judgement.reasons.retain(|reason| {
        !matches!(
            reason,
            Reason::NoId { .. }
                | Reason::Undescribed { .. }
                | Reason::NoTables
                | Reason::NoUniqueId
                | Reason::SizesConflict { .. }
                | Reason::RepeatsUnsupported { .. }
        )
    });
    judgement.accepted = judgement.reasons.iter().all(|reason| reason.severity() == Severity::Note);
    judgement.verdict = Verdict::of(&judgement.reasons);
    judgement
}

/// Whether the size was measured: never through the kernel.
pub(crate) fn size_measured(judgement: &Judgement, facts: Option<&Facts>) -> bool {
    facts.is_none() && judgement.size == SizeProof::Measured
}

/// What stays open after a capture through the kernel, sentence by sentence.
pub(crate) fn words(judgement: &Judgement, facts: &Facts) -> Vec<String> {
    let mut words: Vec<String> = judgement.words().into_iter().take(1).collect();
    words.push(format!(
        "Read through the kernel, as `{}`: which chip it is, its clocks and its status were not seen, and its size is the kernel's \
         word, not proven.",
        facts.name
    ));
    if let Some(offset) = facts.offset {
        words.push(format!(
            "It is a part of its chip, from {offset:#x} on; the rest of the chip is not in this capture."
        ));
    }
    words
}

/// What cannot be known of the chip behind the kernel.
pub(crate) fn unknown() -> Vec<String> {
    [
        "id and marking: the kernel takes no commands",
        "supply and clock: the kernel does not tell them",
        "protection: known only as far as the kernel says that blocks are locked",
        "whether the size is that of the whole chip",
    ]
    .map(str::to_owned)
    .to_vec()
}

impl Session<'_> {
    /// What the kernel says of the flash; none over wires.
    pub(crate) fn kernel_facts(&self) -> Option<&Facts> {
        self.reached.kernel.as_ref().map(link::mtd::Flash::facts)
    }

    /// Sees that the kernel still shows the flash that it showed (S1: "this chip").
    pub(crate) fn check_kernel(&mut self) -> Result<(), JobError> {
        match &mut self.reached.kernel {
            Some(flash) => Ok(flash.check_unchanged()?),
            None => Ok(()),
        }
    }

    /// Before the first erase through the kernel: what is locked, and the danger of writing what this machine runs from.
    pub(crate) fn ask_kernel(&mut self, plan: &nor::plan::Plan) -> Result<(), JobError> {
        let Some(flash) = &mut self.reached.kernel else { return Ok(()) };
        flash.check_unchanged()?;
        flash.check_writable(&plan.touched())?;
        let facts = flash.facts();
        let (name, bytes) = (facts.name.clone(), size(facts.size));
        self.sign(&Question {
            name: "runs-from",
            text: format!(
                "`{name}` ({bytes}) is flash of the machine that runs this program; it may start from it. Sign with your name to \
                 write it."
            ),
            cautions: vec![
                "A machine that is cut off here, or given a wrong image, does not start again: a clip and another computer are then \
                 the only way back. Have both, and the capture on another disk, before you sign."
                    .into(),
                "Mains on and the battery charged; nothing else writes this flash meanwhile.".into(),
            ],
            kind: QuestionKind::Signature,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use evidence::{ChipAnswer, Declared, Order, Pass, PassContent};

    fn facts() -> Facts {
        Facts {
            name: "firmware".into(),
            kind: "nor".into(),
            size: 64 * 1024,
            erase_bytes: 4096,
            write_bytes: 1,
            writable: true,
            offset: Some(0x2_0000),
        }
    }

    fn judge(first: &[u8], second: &[u8], orders: [Order; 2]) -> Judgement {
        let nothing = || ChipAnswer { id: vec![], unique_id: None, status: vec![], tables_ok: None, clock_hz: 1 };
        let pass = |content, order| Pass {
            content: PassContent::Bytes(content),
            clock_hz: 1,
            opcode: 3,
            order,
            chunk: 4096,
            before: nothing(),
            between: vec![nothing()],
            after: nothing(),
        };
        let declared = Declared {
            size: 64 * 1024,
            catalogue_size: None,
            table_size: None,
            maker_known: false,
            known_content: None,
        };
        judged(evidence::judge(&[pass(first, orders[0]), pass(second, orders[1])], &declared))
    }

    #[test]
    fn s1_equal_passes_in_different_orders_make_a_capture_whatever_the_content() {
        let random: Vec<u8> = (0..64 * 1024_u32).map(|at| (at.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        for content in [random, vec![0xFF; 64 * 1024]] {
            let judgement = judge(&content, &content, [Order::Ascending, Order::Descending]);
            assert!(judgement.accepted, "{:?}", judgement.reasons);
            assert!(!size_measured(&judgement, Some(&facts())));
            let words = words(&judgement, &facts()).join(" ");
            assert!(words.contains("through the kernel") && words.contains("from 0x20000 on"), "{words}");
        }
    }

    #[test]
    fn s1_passes_that_differ_or_are_of_one_kind_make_none() {
        let content = vec![0x5A; 64 * 1024];
        let mut other = content.clone();
        other[777] ^= 1;
        assert!(!judge(&content, &other, [Order::Ascending, Order::Descending]).accepted);
        assert!(!judge(&content, &content, [Order::Ascending; 2]).accepted, "one order is one kind");
    }
}
