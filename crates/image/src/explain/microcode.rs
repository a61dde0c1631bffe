//! Microcode updates (Intel SDM volume 3A, "Microcode Update Facilities"; Linux `arch/x86/kernel/cpu/microcode/intel.c`).
//!
//! Code and tables can look like the head of an update, so the sum decides. Where it fails, every other field has to be as it
//! must be before a damaged update is spoken of: date in BCD, sizes, reserved bytes, flags.
//!
//! The decision a reader would question: the size is taken from the total field, and as 2048 when the data size is 0, whatever
//! the total field says; that is the manual's rule, and loaders follow it.

use super::bytes::{all, sum32, u32_at};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node};

/// The header's version, by which updates are searched for.
pub(super) const FIRST_WORD: u32 = 1;

const HEAD: usize = 48;
const TABLE_HEAD: usize = 20;
const ENTRY: usize = 12;
/// Bytes of an update whose data size is 0.
const OLD_TOTAL: usize = 2048;

/// What the header of an update says.
struct Head {
    revision: u32,
    date: u32,
    signature: u32,
    flags: u32,
    data: usize,
    total: usize,
    reserved: bool,
}

impl Head {
    fn read(bytes: &[u8], at: usize) -> Option<Self> {
        let word = |offset| u32_at(bytes, at + offset);
        let data = word(0x1C)? as usize;
        let (data, total) = if data == 0 { (OLD_TOTAL - HEAD, OLD_TOTAL) } else { (data, word(0x20)? as usize) };
        Some(Self {
            revision: word(0x04)?,
            date: word(0x08)?,
            signature: word(0x0C)?,
            flags: word(0x18)?,
            data,
            total,
            reserved: all(bytes.get(at + 0x24..at + HEAD)?, 0),
        })
    }

    fn sizes_agree(&self) -> bool {
        self.data.is_multiple_of(4) && self.total.is_multiple_of(1024) && self.total >= HEAD + self.data
    }

    fn date_is_one(&self) -> bool {
        let part = |shift: u32, digits: u32| {
            let value = self.date >> shift & ((1 << (4 * digits)) - 1);
            (0..digits)
                .map(|digit| value >> (4 * digit) & 0xF)
                .rev()
                .try_fold(0, |sum, it| (it < 10).then_some(10 * sum + it))
        };
        let (year, day, month) = (part(0, 4), part(16, 2), part(24, 2));
        year.is_some_and(|it| (1993..2100).contains(&it))
            && day.is_some_and(|it| (1..=31).contains(&it))
            && month.is_some_and(|it| (1..=12).contains(&it))
    }
}

/// Returns whether the cheap signs of an update stand at `at`: both versions 1, sizes that agree.
pub(super) fn looks_like_one(bytes: &[u8], at: usize) -> bool {
    let versions = u32_at(bytes, at) == Some(FIRST_WORD) && u32_at(bytes, at + 0x14) == Some(1);
    versions && Head::read(bytes, at).is_some_and(|head| head.sizes_agree())
}

/// Returns the update at `at`, when one stands there before `end`.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, at: usize, end: usize) -> Option<Node> {
    let bytes = &space.bytes()[..end];
    let head = Head::read(bytes, at).filter(Head::sizes_agree)?;
    let body = HEAD + head.data;
    let plausible = head.date_is_one() && head.flags <= 0xFF && head.signature >> 28 == 0 && head.signature != 0;
    let certain = plausible && head.reserved;
    let fits = head.total <= end - at;
    if !fits && !certain {
        return None;
    }
    let summed = body.min(end - at);
    if !plausible && !walk.may_sum(summed) {
        return None;
    }
    let sum = fits && sum32(&bytes[at..at + body]) == 0;
    if !sum && !certain {
        return None;
    }
    let size = head.total.min(end - at);
    let mut node = walk.node(space, Kind::Microcode, at..at + size, HEAD);
    node.number = Some(head.signature);
    node.name = Some(
        format!(
            "revision {:#x} of {:04x}-{:02x}-{:02x}",
            head.revision,
            head.date & 0xFFFF,
            head.date >> 24,
            head.date >> 16 & 0xFF
        )
        .into(),
    );
    node.checks.push(Check::rule("size", fits, at + 0x20, 4));
    if !fits {
        let message = format!("the update says it has {:#x} bytes; here are {size:#x}", head.total);
        walk.bad("microcode-size", &node, at + 0x20, message);
        return Some(node);
    }
    node.checks.push(Check::sum("sum", sum, at, body));
    if !sum {
        let message =
            format!("the 32-bit words of the update's first {body:#x} bytes do not add up to 0; no processor takes it");
        walk.bad("microcode-sum", &node, at, message);
    }
    if head.total >= body + TABLE_HEAD {
        extended_table(walk, &mut node, &bytes[..at + size], at, &head);
    }
    Some(node)
}

/// Checks the table of further signatures: its own sum, and that of each entry against the header's.
fn extended_table(walk: &mut Walk<'_, '_>, node: &mut Node, bytes: &[u8], at: usize, head: &Head) {
    let table = at + HEAD + head.data;
    let count = u32_at(bytes, table).unwrap_or_default() as usize;
    if count == 0 && all(&bytes[table..], bytes[table]) {
        // Padding up to the next KiB.
        return;
    }
    let len = count.checked_mul(ENTRY).and_then(|entries| entries.checked_add(TABLE_HEAD)).unwrap_or(usize::MAX);
    let fits = len <= bytes.len() - table;
    node.checks.push(Check::rule("table-size", fits, table, 4));
    if !fits {
        let message =
            format!("the table of further processors says {count} entries, more than the update has room for");
        walk.bad("microcode-table-size", node, table, message);
        return;
    }
    let sum = sum32(&bytes[table..table + len]) == 0;
    node.checks.push(Check::sum("table-sum", sum, table, len));
    if !sum {
        let message =
            format!("the 32-bit words of the table of further processors ({len:#x} bytes) do not add up to 0");
        walk.bad("microcode-table-sum", node, table, message);
    }
    let entry_sum = |entry: usize| sum32(&bytes[entry..entry + ENTRY]);
    let own = head.signature.wrapping_add(head.flags).wrapping_add(u32_at(bytes, at + 0x10).unwrap_or_default());
    for entry in (0..count).map(|number| table + TABLE_HEAD + ENTRY * number) {
        let holds = entry_sum(entry) == own;
        node.checks.push(Check::sum("entry-sum", holds, entry, ENTRY));
        if !holds {
            let message =
                "an entry of the table of further processors adds up to another sum than the update's head".to_owned();
            walk.bad("microcode-entry-sum", node, entry, message);
        }
    }
}
