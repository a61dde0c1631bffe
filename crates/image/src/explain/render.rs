//! The explanation as a person reads it: the image as a strip, the tree under it, each finding on its stretch.
//!
//! In the strip every character is an equal part of the image; its letter is that of the top-level structure that takes most
//! of the part, a dot is empty space: erased, or all 00h. The tree then begins each top-level structure with its letter. A row of
//! four and more stretches that nothing describes is one line with their number and size, and findings of one kind on one structure
//! are told three times and then counted: the JSON has each. Places inside unpacked content have a `+`, since they count from its start.
//!
//! The decision a reader would question: no colours and no frames. The text is the same in a terminal, a file and a journal,
//! and reads aloud.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::ops::Range;

use super::{DECODES, Explanation, Finding, Kind, Node, path};
use crate::mac::Mac;

const LETTERS: &[u8] = b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ";
/// Narrowest text that is made; what is asked narrower gets this.
const NARROWEST: usize = 40;
/// From how many on stretches that nothing describes are one line.
const ROW: usize = 4;
/// How many findings of one kind on one structure are told; from two more on, the rest is counted.
const TOLD: usize = 3;

/// Returns the explanation as text of lines up to `width` characters (40 at least), with `levels` levels of the tree, 1 or more.
///
/// Findings on structures below the last level shown stand on the structure that holds them.
pub fn render(explanation: &Explanation, width: usize, levels: usize) -> String {
    let mut text =
        Text { out: String::new(), width: width.max(NARROWEST), levels: levels.max(1), findings: BTreeMap::new() };
    for finding in &explanation.findings {
        text.findings.entry(&finding.path).or_default().push(finding);
    }
    text.strip(explanation);
    for finding in text.findings.get("").cloned().unwrap_or_default() {
        text.finding(finding, 0);
    }
    if explanation.size == 0 {
        text.line("nothing is in it: it has no bytes");
    }
    text.nodes(&explanation.structures, "", 0);
    text.proof(explanation);
    text.out
}

struct Text<'e> {
    out: String,
    width: usize,
    levels: usize,
    /// By the path of the node that they stand on.
    findings: BTreeMap<&'e str, Vec<&'e Finding>>,
}

impl<'e> Text<'e> {
    fn strip(&mut self, explanation: &Explanation) {
        let size = explanation.size;
        let cells = (self.width as u64).min(size);
        let end = human(size);
        self.line(&format!("0{end:>rest$}", rest = self.width - 1));
        let mut erased = Vec::new();
        erased_runs(&explanation.structures, &mut erased);
        // The letter of a structure is that of its line.
        let mut lines = Vec::new();
        for (number, line) in self.rows(&explanation.structures, "").into_iter().enumerate() {
            lines.extend(line.map(|_| number));
        }
        let cell = |number: u64| {
            let (from, to) = (number * size / cells, (number + 1) * size / cells);
            let shared = |node: &Node| node.range().end.min(to).saturating_sub(node.at.max(from));
            let first = explanation.structures.partition_point(|node| node.range().end <= from);
            let held = explanation.structures[first..].iter().take_while(|node| node.at < to);
            let (index, _) = held
                .enumerate()
                .max_by_key(|(index, node)| (shared(node), usize::MAX - index))
                .unwrap_or((0, &explanation.structures[0]));
            let empty: u64 =
                erased.iter().map(|run: &Range<u64>| run.end.min(to).saturating_sub(run.start.max(from))).sum();
            if 2 * empty >= to - from { '.' } else { letter(lines[first + index]) }
        };
        let strip: String = (0..cells).map(cell).collect();
        self.line(&strip);
        self.line("");
    }

    fn nodes(&mut self, nodes: &'e [Node], prefix: &str, depth: usize) {
        let steps = path::steps(nodes);
        for (number, row) in self.rows(nodes, prefix).into_iter().enumerate() {
            let letter = if depth == 0 { letter(number) } else { ' ' };
            let indent = "  ".repeat(depth);
            let node = &nodes[row.start];
            let at = format!("{}{:x}", if node.space.is_some() { "+" } else { "" }, node.at);
            if row.len() > 1 {
                let size: u64 = nodes[row.clone()].iter().map(|node| node.size).sum();
                self.line(&format!("{letter} {indent}{at:<9} {:>9}  {}", human(size), listed(&nodes[row])));
                continue;
            }
            let path = format!("{prefix}/{}", steps[row.start]);
            self.line(&format!("{letter} {indent}{at:<9} {:>9}  {}", human(node.size), described(node)));
            let shown = depth + 1 < self.levels;
            self.findings_on(&path, !shown, depth + 1);
            if shown {
                self.nodes(&node.children, &path, depth + 1);
            } else if !node.children.is_empty() {
                let held = node.children.len();
                self.line(&format!("  {indent}  ({held} inside)"));
            }
        }
    }

    /// Returns which nodes share a line: rows of stretches that nothing describes and nobody remarks on, else one each.
    fn rows(&self, nodes: &[Node], prefix: &str) -> Vec<Range<usize>> {
        let steps = path::steps(nodes);
        let plain = |index: usize| {
            let node = &nodes[index];
            matches!(node.kind, Kind::Unknown | Kind::Blank | Kind::Free)
                && node.children.is_empty()
                && self.on(&format!("{prefix}/{}", steps[index]), true).is_empty()
        };
        let mut rows = Vec::new();
        let mut at = 0;
        while at < nodes.len() {
            let len = (at..nodes.len()).take_while(|index| plain(*index)).count();
            if len >= ROW {
                rows.push(at..at + len);
                at += len;
            } else {
                rows.extend((at..at + len.max(1)).map(|index| index..index + 1));
                at += len.max(1);
            }
        }
        rows
    }

    /// Writes the findings on the node at `path`; those of one kind that are many are counted.
    fn findings_on(&mut self, path: &str, inside: bool, depth: usize) {
        let mut of_kind: BTreeMap<&str, Vec<&Finding>> = BTreeMap::new();
        let found = self.on(path, inside);
        for finding in &found {
            of_kind.entry(finding.code).or_default().push(finding);
        }
        for finding in found {
            let alike = &of_kind[finding.code];
            let place = alike.iter().position(|it| std::ptr::eq(*it, finding)).unwrap_or_default();
            if alike.len() < TOLD + 2 || place < TOLD {
                self.finding(finding, depth);
            } else if place == TOLD {
                let indent = "  ".repeat(depth + 1);
                self.line(&format!("{indent}and {} more like these ({})", alike.len() - TOLD, finding.code));
            }
        }
    }

    /// Returns the findings on the node at `path`, and on those inside it when they are not shown.
    fn on(&self, path: &str, inside: bool) -> Vec<&'e Finding> {
        let mut found = self.findings.get(path).cloned().unwrap_or_default();
        if inside {
            let below = format!("{path}/");
            let all = self.findings.range(below.as_str()..).take_while(|(it, _)| it.starts_with(&below));
            found.extend(all.flat_map(|(_, findings)| findings));
        }
        found
    }

    fn finding(&mut self, finding: &Finding, depth: usize) {
        let head = format!("  {}{} at {:x}: ", "  ".repeat(depth), finding.severity.name().to_uppercase(), finding.at);
        let indent = " ".repeat(2 * depth + 4);
        let mut line = head;
        for word in format!("{} ({})", plain(&finding.message), finding.code).split_whitespace() {
            let begun = !line.ends_with(' ');
            if begun && line.chars().count() + 1 + word.chars().count() > self.width {
                self.line(&line);
                line = indent.clone();
            }
            if !line.ends_with(' ') {
                line.push(' ');
            }
            line.push_str(word);
        }
        self.line(&line);
    }

    fn proof(&mut self, explanation: &Explanation) {
        let proof = &explanation.proof;
        self.line("");
        for line in [
            format!("checks     {} hold, {} fail", proof.checks_ok, proof.checks_failed),
            format!("under sums {} of {}", human(proof.covered), human(proof.bytes)),
            format!("unpacked   {} whole", human(proof.decoded)),
            format!("empty      {}", human(proof.blank)),
        ] {
            self.line(&line);
        }
    }

    fn line(&mut self, line: &str) {
        match line.char_indices().nth(self.width) {
            None => self.out.push_str(line.trim_end()),
            Some(_) => {
                let kept: String = line.chars().take(self.width - 1).collect();
                let _ = write!(self.out, "{}…", kept.trim_end());
            }
        }
        self.out.push('\n');
    }
}

/// Collects empty and erased stretches of the image itself, in the order of addresses.
fn erased_runs(nodes: &[Node], runs: &mut Vec<Range<u64>>) {
    for node in nodes.iter().filter(|node| node.ground == 0) {
        match node.kind {
            Kind::Blank => runs.push(node.range()),
            Kind::Free if node.state == Some("erased") => runs.push(node.range()),
            _ => erased_runs(&node.children, runs),
        }
    }
}

fn letter(index: usize) -> char {
    LETTERS.get(index).map_or('*', |letter| *letter as char)
}

/// Returns what a node is, in words.
fn described(node: &Node) -> String {
    let mut words = match (node.kind, node.number) {
        (Kind::Blank, _) if node.state == Some("00") => return "zeros (00)".to_owned(),
        (Kind::PiVolume, _) => "volume".to_owned(),
        (Kind::PiFile, Some(number)) => file_type(number),
        (Kind::PiSection, Some(0x02)) if !node.checks.iter().any(|check| check.name == DECODES) => "wrapped".to_owned(),
        (Kind::PiSection, Some(number)) => section_type(number),
        (Kind::Region, Some(number)) => format!("region {number}"),
        (Kind::Microcode, Some(signature)) => format!("microcode for {signature:x}"),
        (Kind::FitEntry, Some(number)) => format!("fit-entry {number:02x}"),
        (kind, _) => kind.name().to_owned(),
    };
    // The name of a volume is a GUID, and the file system's says more.
    let late = node.name.as_deref().filter(|_| node.kind == Kind::PiVolume);
    if let Some(name) = node.name.as_deref().filter(|_| late.is_none()) {
        match (node.kind, name.split_once(", ")) {
            // What it looks like says more than a number.
            (Kind::Unknown, Some((bits, guess))) => {
                let bits = bits.split(' ').next().unwrap_or_default();
                let _ = write!(words, ", {guess} (entropy {bits} of 8)");
            }
            _ => {
                let _ = write!(words, " {}", plain(name));
            }
        }
        // Of an address, what its two bits say of it.
        if let Some(mac) = Some(name).filter(|_| node.kind == Kind::Nvm).and_then(|name| name.parse::<Mac>().ok()) {
            let _ = write!(words, ", {}", mac.words().split([':', ',']).next().unwrap_or_default());
        }
    }
    // What is amiss comes before the GUID, which a line may have no room for.
    let usual = ["data-valid", "added", "healthy", "filled", "valid"];
    if let Some(state) = node.state.filter(|state| !usual.contains(state)) {
        let _ = write!(words, " ({state})");
    }
    let (holding, failing) = (count(node, true), count(node, false));
    if failing > 0 {
        let _ = write!(words, ", {failing} of {} checks fail", holding + failing);
    }
    let known = node.guid.map(|guid| guid.standard_name().map_or_else(|| guid.to_string(), str::to_owned));
    if let Some(guid) = known.filter(|_| node.name.is_none() || node.kind != Kind::PiFile) {
        let _ = write!(words, " [{guid}]");
    }
    if let Some(name) = late {
        let _ = write!(words, " {}", plain(name));
    }
    words
}

/// Returns what a row of stretches is, in words.
fn listed(row: &[Node]) -> String {
    let kinds = [
        ("unknown", Kind::Unknown, None),
        ("blank", Kind::Blank, Some("ff")),
        ("zeros", Kind::Blank, Some("00")),
        ("free", Kind::Free, None),
    ];
    let parts = kinds.into_iter().filter_map(|(name, kind, state)| {
        let of_kind = row.iter().filter(|node| node.kind == kind && (state.is_none() || node.state == state));
        let (count, size) = of_kind.fold((0, 0), |(count, size), node| (count + 1, size + node.size));
        let size = if kind == Kind::Unknown { format!(" ({})", human(size)) } else { String::new() };
        (count > 0).then(|| format!("{count} {name}{size}"))
    });
    format!("{} stretches: {}", row.len(), parts.collect::<Vec<_>>().join(", "))
}

fn count(node: &Node, ok: bool) -> usize {
    node.checks.iter().filter(|check| check.ok == Some(ok)).count()
}

/// Returns the text without characters that move a terminal's cursor.
pub(crate) fn plain(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { '\u{FFFD}' } else { character }).collect()
}

/// Returns a size in the largest unit that leaves a number of 1 or more.
pub(crate) fn human(bytes: u64) -> String {
    let (unit, name) = match bytes {
        0..1024 => return format!("{bytes} B"),
        1024..0x10_0000 => (1024, "KiB"),
        0x10_0000..0x4000_0000 => (0x10_0000, "MiB"),
        _ => (0x4000_0000, "GiB"),
    };
    match bytes % unit {
        0 => format!("{} {name}", bytes / unit),
        _ => format!("{:.1} {name}", bytes as f64 / unit as f64),
    }
}

/// Names of PI volume 3, EFI_FV_FILETYPE.
fn file_type(number: u32) -> String {
    let name = match number {
        0x01 => "raw file",
        0x02 => "freeform file",
        0x03 => "SEC core",
        0x04 => "PEI core",
        0x05 => "DXE core",
        0x06 => "PEIM",
        0x07 => "driver",
        0x08 => "PEIM and driver",
        0x09 => "application",
        0x0A => "MM driver",
        0x0B => "volume image file",
        0x0C => "MM and DXE driver",
        0x0D => "MM core",
        0x0E => "standalone MM driver",
        0x0F => "standalone MM core",
        0xF0 => "pad file",
        _ => return format!("file of type {number:02x}"),
    };
    name.to_owned()
}

/// Names of PI volume 3, EFI_SECTION_TYPE.
fn section_type(number: u32) -> String {
    let name = match number {
        0x01 => "compression",
        0x02 => "packed",
        0x03 => "disposable",
        0x10 => "PE32 image",
        0x11 => "position-independent code",
        0x12 => "TE image",
        0x13 => "DXE dependency",
        0x14 => "version",
        0x15 => "name",
        0x16 => "16-bit code",
        0x17 => "volume image",
        0x18 => "freeform",
        0x19 => "raw",
        0x1B => "PEI dependency",
        0x1C => "MM dependency",
        _ => return format!("section of type {number:02x}"),
    };
    name.to_owned()
}
