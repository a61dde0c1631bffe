//! Update capsules, plain and of firmware management (UEFI, "UpdateCapsule()" and "Firmware Update and Reporting").
//!
//! A plain capsule has no signature, so one is believed at the start of a file alone, by its sizes and flags; one of firmware management
//! is known by its GUID wherever it stands. Payloads become nodes of kind capsule of their own: the lead is the image header and,
//! where there is one, the authentication block.
//!
//! The decision a reader would question: a payload's signature is "covered by nothing". Whether it holds depends on a key that
//! the machine has and the capsule does not.

use std::ops::Range;

use super::bytes::{u16_at, u32_at, u64_at};
use super::guid::{FMP, Guid, PKCS7};
use super::walk::{Space, Walk};
use super::{Check, Kind, Node, scan};

const HEAD: usize = 28;
/// Longest header believed; 32 and 4096 bytes are usual.
const LONGEST_HEAD: usize = 64 << 10;
/// Flags that the capsule's maker may use, and the three that the standard defines.
const OWN_FLAGS: u32 = 0xFFFF;
const FLAGS: u32 = 0x7_0000;
/// WIN_CERT_TYPE_EFI_GUID and the certificate's revision.
const CERTIFICATE_TYPE: u16 = 0x0EF1;
const CERTIFICATE_REVISION: u16 = 0x0200;

/// Reads the capsule at the start of `range`, when one stands there. `marked` says that its GUID alone brought us here.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, marked: bool) -> Option<Node> {
    let bytes = &space.bytes()[range.clone()];
    let guid = Guid::read(bytes, 0)?;
    let (lead, flags, stated) = (u32_at(bytes, 16)? as usize, u32_at(bytes, 20)?, u32_at(bytes, 24)? as usize);
    let sane = (HEAD..=LONGEST_HEAD).contains(&lead) && stated >= lead && flags & !(OWN_FLAGS | FLAGS) == 0;
    let fits = stated <= bytes.len();
    let believed = match guid {
        FMP => fits || !marked,
        _ => !marked && (stated == bytes.len() || (flags & FLAGS != 0 && stated / 16 <= bytes.len())),
    };
    if !sane || !believed || lead > bytes.len() {
        return None;
    }
    let whole = range.start..range.start + stated.min(bytes.len());
    let mut node = walk.node(space, Kind::Capsule, whole.clone(), lead);
    node.guid = Some(guid);
    node.checks.push(Check::rule("size", fits, range.start + 24, 4));
    if !fits {
        let message = format!("the capsule says it has {stated:#x} bytes; here are {:#x}", whole.len());
        walk.bad("capsule-size", &node, range.start + 24, message);
    }
    let body = range.start + lead..whole.end;
    if guid == FMP {
        items(walk, space, &mut node, body);
    } else {
        node.children = walk.deeper(|walk| scan::flash_or(walk, space, body, true));
    }
    Some(node)
}

/// Reads drivers and payloads of a firmware-management capsule.
fn items<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, node: &mut Node, body: Range<usize>) {
    let bytes = &space.bytes()[body.clone()];
    let version = u32_at(bytes, 0);
    let count = |at| u16_at(bytes, at).map(usize::from);
    let (drivers, payloads) = (count(4).unwrap_or_default(), count(6).unwrap_or_default());
    let offsets: Option<Vec<usize>> =
        (0..drivers + payloads).map(|item| u64_at(bytes, 8 + 8 * item)?.try_into().ok()).collect();
    let head = 8 + 8 * (drivers + payloads);
    let whole = offsets.as_ref().is_some_and(|offsets| {
        let inside = offsets.iter().all(|offset| *offset >= head && *offset < bytes.len());
        inside && offsets.is_sorted_by(|one, next| one < next)
    });
    let whole = whole && version == Some(1);
    node.checks.push(Check::rule("items", whole, body.start, head.min(bytes.len())));
    if !whole {
        let message =
            "the list of the capsule's items has another version than 1, goes past the end or does not rise".to_owned();
        walk.bad("capsule-items", node, body.start, message);
    }
    let offsets = offsets.unwrap_or_default();
    node.children = walk.deeper(|walk| {
        let mut nodes = Vec::new();
        let mut done = head;
        for (item, offset) in offsets.iter().enumerate() {
            let end = offsets.get(item + 1).copied().unwrap_or(bytes.len()).min(bytes.len());
            if *offset < done || *offset >= end || walk.full() {
                continue;
            }
            let range = body.start + offset..body.start + end;
            done = end;
            nodes.push(match item < drivers {
                true => driver(walk, space, range, item),
                false => payload(walk, space, range),
            });
        }
        nodes
    });
}

fn driver<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, item: usize) -> Node {
    let mut node = walk.node(space, Kind::Unknown, range, 0);
    node.name = Some(format!("driver {}", item + 1).into());
    node
}

fn payload<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Node {
    let bytes = &space.bytes()[range.clone()];
    let version = u32_at(bytes, 0).unwrap_or_default();
    let head = match version {
        1 => 32,
        2 => 40,
        3 => 48,
        _ => 0,
    };
    let sizes = (u32_at(bytes, 24), u32_at(bytes, 28));
    let (Some(image), Some(vendor), true) = (sizes.0, sizes.1, head > 0 && head <= bytes.len()) else {
        let node = walk.node(space, Kind::Unknown, range.clone(), 0);
        let message = format!("an item whose image header has version {version}; known are 1, 2 and 3");
        walk.bad("capsule-payload", &node, range.start, message);
        return node;
    };
    let stated = (head as u64).saturating_add(image.into()).saturating_add(vendor.into());
    let fits = stated <= bytes.len() as u64;
    let size = usize::try_from(stated).unwrap_or(usize::MAX).min(bytes.len());
    let image_end = head.saturating_add(image as usize).min(size);
    let block = authentication(&bytes[head..image_end]);
    let lead = head + block.unwrap_or(0);
    let mut node = walk.node(space, Kind::Capsule, range.start..range.start + size, lead);
    node.guid = Guid::read(bytes, 4);
    node.number = Some(version);
    node.name = bytes.get(20).map(|index| format!("payload for image {index}").into());
    node.checks.push(Check::rule("size", fits, range.start + 24, 8));
    if !fits {
        let message = format!("the payload says it has {stated:#x} bytes; its item has {:#x}", bytes.len());
        walk.bad("capsule-payload", &node, range.start + 24, message);
    }
    if block.is_some() {
        node.checks.push(Check::none("signature", range.start + lead, image_end - lead));
    }
    let content = lead + dependency_head(&bytes[lead..image_end]);
    let content = range.start + content..range.start + image_end;
    node.children = walk.deeper(|walk| scan::flash_or(walk, space, content, false));
    node
}

/// Returns the bytes of the authentication block at the start of an image: a count, then a certificate that says its length.
fn authentication(image: &[u8]) -> Option<usize> {
    let len = u32_at(image, 8)? as usize;
    let certificate = u16_at(image, 12)? == CERTIFICATE_REVISION && u16_at(image, 14)? == CERTIFICATE_TYPE;
    let fits = len >= 24 && len <= image.len() - 8;
    (certificate && fits && Guid::read(image, 16)? == PKCS7).then_some(8 + len)
}

/// Returns the bytes of the version header that EDK II puts before a payload; it is no part of the standard.
fn dependency_head(image: &[u8]) -> usize {
    let len = u32_at(image, 4).unwrap_or_default() as usize;
    if image.starts_with(b"MSS1") && (16..=image.len()).contains(&len) { len } else { 0 }
}
