//! Sections of a file, and what they hold, to any depth (UEFI PI volume 3, chapter 3; EDK II `PiFirmwareFile.h`).
//!
//! The next section stands at the next multiple of 4, counted from the start of the stream; the last one has no padding. Sections
//! that hold a stream of sections are followed, decompressed where that is needed. A section's content has no check but in CRC-32
//! sections; what its own grammar says (a dependency expression, the end of a text) is checked as a rule.
//!
//! Decisions a reader would question. A GUID-defined section of an unknown method is followed all the same when its attributes say
//! that no processing is required. The standard's compression and the variant with five position bits share a header, and a
//! wrong guess can decompress to something: the one is read for compression sections, the other for the GUID, and never both tried.

use std::ops::Range;

use super::bytes::{all, round_up, text16, u16_at, u24_at, u32_at};
use super::decode::{self, Fault};
use super::guid::{self, Guid};
use super::walk::{Space, Walk};
use super::{Check, DECODES, Kind, Method, Node, Severity, scan, volume};

const COMPRESSION: u8 = 0x01;
const GUID_DEFINED: u8 = 0x02;
const DISPOSABLE: u8 = 0x03;
const PE32: u8 = 0x10;
const TE: u8 = 0x12;
const VERSION: u8 = 0x14;
const USER_INTERFACE: u8 = 0x15;
const VOLUME_IMAGE: u8 = 0x17;
const FREEFORM: u8 = 0x18;
const RAW: u8 = 0x19;

/// EFI_GUIDED_SECTION_PROCESSING_REQUIRED.
const PROCESSING_REQUIRED: u16 = 0x01;

/// What a section's common header says.
struct Head {
    number: u8,
    /// Bytes in the common header: 4, or 8 with a 32-bit size.
    len: usize,
    stated: usize,
}

impl Head {
    fn read(bytes: &[u8], at: usize) -> Option<Self> {
        let number = *bytes.get(at + 3)?;
        match u24_at(bytes, at)? {
            0xFF_FFFF => Some(Self { number, len: 8, stated: u32_at(bytes, at + 4)? as usize }),
            stated => Some(Self { number, len: 4, stated: stated as usize }),
        }
    }

    fn is_known(&self) -> bool {
        matches!(self.number, 0x01..=0x03 | 0x10..=0x19 | 0x1B | 0x1C)
    }
}

/// Reads the stream of sections in `range`, which is the content of `owner`.
pub(super) fn sections<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, owner: &Node) -> Vec<Node> {
    let bytes = &space.bytes()[..range.end];
    let mut nodes = Vec::new();
    let mut at = range.start;
    while at < range.end {
        let room = range.end - at;
        let head =
            Head::read(bytes, at).filter(|head| head.stated >= head.len && (head.stated <= room || head.is_known()));
        let Some(head) = head.filter(|_| !walk.full()) else {
            nodes.push(tail(walk, space, at..range.end, owner));
            break;
        };
        let size = head.stated.min(room);
        let node = section(walk, space, at..at + size, &head);
        nodes.push(node);
        at = range.start + round_up(at + size - range.start, 4);
    }
    nodes
}

/// Returns whether a stream of sections fills `bytes` exactly.
pub(super) fn fill(bytes: &[u8]) -> bool {
    let mut at = 0;
    while let Some(head) = Head::read(bytes, at).filter(|head| head.stated >= head.len && head.is_known()) {
        at += head.stated;
        if at >= bytes.len() {
            return at == bytes.len();
        }
        at = round_up(at, 4);
    }
    false
}

/// Makes a node of the end of a stream where no section stands.
fn tail<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, owner: &Node) -> Node {
    let rest = &space.bytes()[range.clone()];
    let blank = all(rest, 0xFF) || all(rest, 0);
    let node = walk.node(space, if blank { Kind::Blank } else { Kind::Unknown }, range.clone(), 0);
    if walk.full() {
        return node;
    }
    match blank {
        true => {
            let message = format!("{:#x} bytes of padding after the last section", range.len());
            walk.find(Severity::Warn, "section-padding", owner, range.start, message);
        }
        false => {
            let message = "no section stands where the walk through the sections leads, or its size is none".to_owned();
            walk.bad("section-header", &node, range.start, message);
        }
    }
    node
}

fn section<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, head: &Head) -> Node {
    let bytes = space.bytes();
    let own = &bytes[range.clone()];
    let (lead, guid) = match head.number {
        COMPRESSION => (head.len + 5, None),
        GUID_DEFINED => (u16_at(own, head.len + 16).unwrap_or_default() as usize, Guid::read(own, head.len)),
        FREEFORM => (head.len + 16, Guid::read(own, head.len)),
        VERSION => (head.len + 2, None),
        _ => (head.len, None),
    };
    let least = if head.number == GUID_DEFINED { head.len + 20 } else { lead };
    let lead_fits = lead >= least && lead <= own.len();
    let lead = if lead_fits { lead } else { head.len.min(own.len()) };
    let mut node = walk.head(space, Kind::PiSection, range.clone(), lead);
    node.number = Some(head.number.into());
    node.guid = guid;
    let content = range.start + lead..range.end;
    if head.stated > range.len() {
        let message = format!("the section says it has {:#x} bytes; here are {:#x}", head.stated, range.len());
        node.checks.push(Check::rule("size", false, range.start, head.len));
        walk.bad("section-size", &node, range.start, message);
    }
    if !lead_fits {
        walk.set_content(&mut node, space, content);
        let message = "the section ends inside its own header, or its content begins outside it".to_owned();
        walk.bad("section-header", &node, range.start, message);
        return node;
    }
    if !head.is_known() {
        let message = format!("a section of type {:#04x}, which the standard does not define", head.number);
        walk.find(Severity::Warn, "section-type", &node, range.start + 3, message);
    }
    match method_of(own, head.number, head.len, guid) {
        Some(Ok(method)) => compressed(walk, space, &mut node, content, method),
        Some(Err(())) => {
            walk.set_content(&mut node, space, content);
            let message = "a compression type that the standard does not define; its content is not read".to_owned();
            walk.find(Severity::Warn, "section-method", &node, range.start, message);
        }
        None => {
            walk.set_content(&mut node, space, content.clone());
            plain(walk, space, &mut node, content, head);
        }
    }
    node
}

/// Returns how the content of a section is packed: none for a section that is read as it stands, an error for an unknown
/// type of compression section. `own` is the section, `len` its common header's size.
pub(super) fn method_of(own: &[u8], number: u8, len: usize, guid: Option<Guid>) -> Option<Result<Method, ()>> {
    match (number, own.get(len + 4)) {
        (COMPRESSION, Some(0)) => None,
        (COMPRESSION, Some(1)) => Some(Ok(Method::Standard)),
        (COMPRESSION, _) => Some(Err(())),
        (GUID_DEFINED, _) => {
            let methods = [
                (guid::LZMA, Method::Lzma),
                (guid::LZMA_X86, Method::LzmaX86),
                (guid::TIANO, Method::Tiano),
                (guid::BROTLI, Method::Brotli),
            ];
            methods.into_iter().find(|(known, _)| Some(*known) == guid).map(|(_, method)| Ok(method))
        }
        _ => None,
    }
}

fn compressed<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, node: &mut Node, content: Range<usize>, method: Method) {
    if !walk.decodes() {
        return walk.set_content(node, space, content);
    }
    let stored = &space.bytes()[content.clone()];
    let limit = usize::try_from(walk.may_expand_to(decode::window(method, stored))).unwrap_or(usize::MAX);
    match decode::expand(method, stored, limit) {
        Ok(bytes) => {
            let stated = stated_length(space.bytes(), node).is_none_or(|stated| stated == bytes.len());
            node.checks.push(Check::rule(DECODES, true, content.start, content.len()));
            if !stated {
                let message =
                    format!("the section says another length than the {:#x} bytes it decompresses to", bytes.len());
                walk.bad("section-stated-length", node, content.start, message);
            }
            walk.within(node, bytes, |walk, space, node| {
                let whole = 0..space.bytes().len();
                walk.set_content(node, space, whole.clone());
                node.children = walk.deeper(|walk| sections(walk, space, whole, node));
            });
        }
        Err(fault) => {
            walk.set_content(node, space, content.clone());
            match fault {
                Fault::TooLarge => {
                    node.checks.push(Check::none(DECODES, content.start, content.len()));
                    walk.spend("output");
                }
                Fault::Broken { reason, produced } => {
                    walk.wasted(produced.min(limit) as u64);
                    node.checks.push(Check::rule(DECODES, false, content.start, content.len()));
                    walk.bad(
                        "section-decodes",
                        node,
                        content.start,
                        format!("the content does not decompress: {reason}"),
                    );
                }
            }
        }
    }
}

/// Returns the length that a compression section states for its content.
fn stated_length(bytes: &[u8], node: &Node) -> Option<usize> {
    let at = (node.at + node.lead) as usize - 5;
    (node.number == Some(COMPRESSION.into())).then(|| u32_at(bytes, at).unwrap_or_default() as usize)
}

fn plain<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, node: &mut Node, content: Range<usize>, head: &Head) {
    let body = &space.bytes()[content.clone()];
    match head.number {
        COMPRESSION => {
            let stated = stated_length(space.bytes(), node) == Some(content.len());
            node.checks.push(Check::rule("stated-length", stated, content.start - 5, 4));
            if !stated {
                let message = "the section is not compressed, and states another length than it has".to_owned();
                walk.bad("section-stated-length", node, content.start - 5, message);
            }
            node.children = walk.deeper(|walk| sections(walk, space, content, node));
        }
        GUID_DEFINED => guided(walk, space, node, content, head),
        DISPOSABLE => node.children = walk.deeper(|walk| sections(walk, space, content, node)),
        VOLUME_IMAGE => {
            node.children = walk.deeper(|walk| match volume::probe(space.bytes(), content.start, content.end) {
                Some(head) => vec![volume::read(walk, space, content.start, &head)],
                None => scan::search(walk, space, content.clone()),
            });
            if node.children.first().is_none_or(|it| it.kind != Kind::PiVolume) && !walk.full() {
                let message = "a volume image section with no volume at its beginning".to_owned();
                walk.bad("section-volume", node, content.start, message);
            }
        }
        RAW => node.children = walk.deeper(|walk| scan::search(walk, space, content)),
        USER_INTERFACE | VERSION => {
            let (text, ended) = text16(body);
            node.name = Some(text);
            rule(walk, node, "text-end", ended, &content, "section-text", "the text does not end with a 0000h");
        }
        PE32 => {
            let whole = is_pe(body);
            rule(walk, node, "image-header", whole, &content, "section-pe32", "no PE32 header where one has to stand");
        }
        TE => {
            let whole = body.starts_with(b"VZ") && body.len() >= 40;
            rule(walk, node, "image-header", whole, &content, "section-te", "no TE header where one has to stand");
        }
        0x13 | 0x1B | 0x1C => {
            let whole = dependency_is_whole(body);
            let why = "the dependency expression holds an unknown opcode or does not end with END";
            rule(walk, node, "dependency", whole, &content, "section-dependency", why);
        }
        _ => {}
    }
}

fn rule(
    walk: &mut Walk<'_, '_>,
    node: &mut Node,
    name: &'static str,
    holds: bool,
    content: &Range<usize>,
    code: &'static str,
    why: &str,
) {
    node.checks.push(Check::rule(name, holds, content.start, content.len()));
    if !holds {
        walk.bad(code, node, content.start, why.to_owned());
    }
}

fn guided<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, node: &mut Node, content: Range<usize>, head: &Head) {
    let own = node.at as usize;
    let attributes = u16_at(space.bytes(), own + head.len + 18).unwrap_or_default();
    let known = [guid::CRC32, guid::SIGNED].contains(&node.guid.unwrap_or(guid::PAD));
    if node.guid == Some(guid::CRC32) {
        let stated = u32_at(space.bytes(), own + head.len + 20).filter(|_| node.lead as usize >= head.len + 24);
        let holds = stated == Some(crc32fast::hash(&space.bytes()[content.clone()]));
        node.checks.push(Check::sum("crc-32", holds, content.start, content.len()));
        if !holds {
            let message = format!("the CRC-32 over the section's {} bytes of content is another", content.len());
            walk.bad("section-crc-32", node, content.start, message);
        }
    }
    if node.guid == Some(guid::SIGNED) {
        // Whether a signature holds depends on keys that the image does not carry.
        node.checks.push(Check::none("signature", content.start, content.len()));
    }
    if known || attributes & PROCESSING_REQUIRED == 0 {
        node.children = walk.deeper(|walk| sections(walk, space, content, node));
    } else {
        let message = format!("its content needs a method that is not known here: {}", node.guid.unwrap_or(guid::PAD));
        walk.find(Severity::Note, "section-method", node, own, message);
    }
}

/// Returns whether an image begins as PE/COFF says: `MZ`, and at the place told at 3Ch the signature `PE`.
fn is_pe(body: &[u8]) -> bool {
    let at = u32_at(body, 0x3C).unwrap_or(u32::MAX) as usize;
    body.starts_with(b"MZ") && body.get(at..).is_some_and(|rest| rest.starts_with(b"PE\0\0"))
}

/// Returns whether a dependency expression has known opcodes alone and ends with END (PI volume 2, chapter 10).
fn dependency_is_whole(body: &[u8]) -> bool {
    let mut at = 0;
    while let Some(opcode) = body.get(at) {
        match opcode {
            0x00..=0x02 => at += 17,
            0x03..=0x07 | 0x09 => at += 1,
            0x08 => return at + 1 == body.len(),
            _ => return false,
        }
    }
    false
}
