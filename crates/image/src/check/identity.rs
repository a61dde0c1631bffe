//! What tells one machine from another, and would be lost.
//!
//! Looked at: live variables whose names say serial number, UUID, asset tag, licence or the like, and ACPI tables that hold
//! licences, MSDM and SLIC, in the image as it stands. Told are names alone.

use std::collections::BTreeSet;

use super::{Advice, Checked, Question, Side};
use crate::explain::{Kind, Severity, plain};

/// Parts of names, in small letters (common practice, no source).
const TELLING: [&str; 9] =
    ["serial", "uuid", "asset", "licen", "productkey", "oa3", "systemid", "machineid", "manufacturingdata"];
/// ACPI tables with licences, and the least that a table has: its head of 36 bytes (ACPI, "System Description Table Header").
const TABLES: [&[u8; 4]; 2] = [b"MSDM", b"SLIC"];
const TABLE_HEAD: usize = 36;
const LARGEST_TABLE: usize = 4096;

pub(super) fn look(checked: &mut Checked, new: &Side, stock: Option<&Side>) {
    let old = stock.map(names).unwrap_or_default();
    let own = if old.is_empty() { BTreeSet::new() } else { names(new) };
    for name in old.difference(&own) {
        let advice = Advice(
            "The machine may no longer know its own number or licence.",
            "Note it from the machine's label or survey, or keep what holds it from the capture.",
        );
        let message = format!("{name} stands in the stock image and not in this one");
        checked.remark(Severity::Warn, Question::Identity, "identity-lost", message, advice);
    }
    checked.answer(Question::Identity, !old.is_empty());
}

/// Returns what tells the machine, by name.
fn names(side: &Side) -> BTreeSet<String> {
    let variables = side.explanation.nodes().map(|(_, node)| node).filter(|node| {
        let name = node.name.as_deref().unwrap_or_default().to_lowercase();
        node.kind == Kind::Variable && node.state == Some("added") && TELLING.iter().any(|part| name.contains(part))
    });
    let variables = variables.map(|node| format!("the variable {}", plain(node.name.as_deref().unwrap_or_default())));
    let tables = TABLES.into_iter().filter(|name| has_table(side.bytes, name));
    variables.chain(tables.map(|name| format!("a licence table {}", String::from_utf8_lossy(name)))).collect()
}

/// Returns whether an ACPI table of this name stands in the image: its bytes add up to 0.
fn has_table(image: &[u8], name: &[u8; 4]) -> bool {
    memchr::memmem::find_iter(image, name).any(|at| {
        let len = image.get(at + 4..).and_then(|rest| rest.first_chunk()).map(|len| u32::from_le_bytes(*len) as usize);
        let table =
            len.filter(|len| (TABLE_HEAD..=LARGEST_TABLE).contains(len)).and_then(|len| image.get(at..at + len));
        table.is_some_and(|table| table.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte)) == 0)
    })
}
