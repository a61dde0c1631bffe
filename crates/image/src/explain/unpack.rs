//! Taking the content of one node out again, once it is known where it stands.
//!
//! The walk drops decompressed contents as soon as they are read, so that a large tree costs little memory. Who wants the bytes of a node
//! unpacks what stands around it once more.

use super::decode::{Fault, expand};
use super::{Kind, Node, section, uf2};

/// Returns the content of `node`, which stands in `ground`: decompressed, put together, or what follows the lead.
///
/// # Errors
///
/// [`Fault`] when it does not decompress within `limit` bytes.
pub(crate) fn content(ground: &[u8], node: &Node, limit: usize) -> Result<Vec<u8>, Fault> {
    let stored = &ground[node.at as usize..node.range().end as usize];
    let content = &stored[node.lead as usize..];
    if node.kind == Kind::Uf2 {
        return uf2::assemble(stored).ok_or_else(|| Fault::Broken {
            reason: "the blocks' addresses lie too far apart to be one content".to_owned(),
            produced: 0,
        });
    }
    let len = if stored.starts_with(&[0xFF; 3]) { 8 } else { 4 };
    let number = node.number.unwrap_or_default() as u8;
    let packed = (node.kind == Kind::PiSection).then(|| section::method_of(stored, number, len, node.guid)).flatten();
    match packed.filter(|_| node.is_decoded()) {
        Some(Ok(method)) => expand(method, content, limit),
        _ => Ok(content.to_vec()),
    }
}
