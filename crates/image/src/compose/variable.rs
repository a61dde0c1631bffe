//! Variables that are kept: written into the variable store of the base, as firmware would write them.
//!
//! What a machine is called stands in variables, such as its serial number. New firmware has a store of its own, of another size
//! and at another place, so a variable is not copied to where it stood: it is put behind the last variable of the base's store,
//! with its vendor, attributes and data, and one of the same name and vendor that is live there is marked deleted. A name means
//! what it means to a reader: the live variable; of one that was cut off while being replaced, the old.
//!
//! Store and variables follow EDK II `VariableFormat.h`; see [`crate::build::variables`].
//!
//! The decision a reader would question: a variable whose writes need a signature does not go from a store with authentication
//! into one without, nor back. Its protection would be lost, or there is nothing to make it from.

use super::content::Content;
use super::{ComposeError, Done, SourceRef, TextPlace, What, Write};
use crate::build::guid::AUTHENTICATED_STORE;
use crate::build::variables::{encoded, state};
use crate::explain::{Guid, Kind, Node};
use crate::recipe::KeptVariable;

/// Attributes that ask for a signature with each write, of both ways (UEFI Specification, "Variable Services").
const AUTHENTICATED: u32 = 0x10 | 0x20;
/// What a state byte loses when a variable is deleted: both bits, as after a successor was written.
const DELETE: u8 = state::DELETED;

/// Where the next variable goes in the base's store.
#[derive(Default)]
pub(super) struct Cursor {
    next: Option<u32>,
}

/// Why a variable cannot be kept.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum VariableError {
    /// The present capture has no such live variable.
    #[error("the present capture has no live variable `{name}` outside of packed content")]
    NotThere {
        /// Its name.
        name: String,
    },
    /// Several vendors have a variable of this name.
    #[error("several vendors have a variable `{name}`: {}", .vendors.join(", "))]
    Several {
        /// Its name.
        name: String,
        /// Their GUIDs.
        vendors: Vec<String>,
    },
    /// The base has no sound store, or several.
    #[error("the base has {count} sound variable stores, and one is needed")]
    Stores {
        /// How many.
        count: usize,
    },
    /// The variable does not fit.
    #[error("the variable needs {need} bytes, and the store of the base has {left} left")]
    Full {
        /// Bytes it needs.
        need: usize,
        /// Erased bytes behind the last variable.
        left: usize,
    },
    /// One store has authentication and the other has none.
    #[error("the variable's writes need a signature, and only one of the two stores has room for that")]
    Authentication,
}

/// A sound store outside of packed content, with its variables.
fn stores<'e>(content: &'e Content<'_>) -> Vec<&'e Node> {
    let nodes = content.explained().nodes().map(|(_, node)| node);
    let plain = |node: &&Node| node.kind == Kind::VariableStore && node.space.is_none();
    nodes.filter(plain).filter(|node| node.state == Some("healthy")).collect()
}

/// The live variables of a store that the recipe means.
fn live<'e>(store: &'e Node, name: &str, vendor: Option<Guid>) -> impl Iterator<Item = &'e Node> {
    let rank = |node: &Node| ["added", "in-deleted-transition"].iter().position(|it| node.state == Some(it));
    let meant = move |node: &&Node| {
        let vendor = vendor.is_none() || node.guid == vendor;
        node.kind == Kind::Variable && node.name.as_deref() == Some(name) && vendor && rank(node).is_some()
    };
    let mut found: Vec<&Node> = store.children.iter().filter(meant).collect();
    found.sort_by_key(|node| (node.guid, rank(node)));
    found.dedup_by_key(|node| node.guid);
    found.into_iter()
}

/// Returns the writes that keep a variable; none when it is not there and need not be.
pub(super) fn writes<'a>(
    kept: &'a KeptVariable,
    present: &'a Content<'a>,
    base: &'a Content<'a>,
    cursor: &mut Cursor,
) -> Result<Vec<Write<'a>>, ComposeError> {
    let amiss = |source| ComposeError::Variable { place: kept.place.clone(), source: Box::new(source) };
    let name = &*kept.name;
    let held =
        stores(present).into_iter().flat_map(|store| live(store, name, kept.vendor).map(move |node| (store, node)));
    let held: Vec<_> = held.collect();
    let (from, variable) = match held[..] {
        [] if kept.optional => return Ok(Vec::new()),
        [] => return Err(amiss(VariableError::NotThere { name: name.to_owned() })),
        [one] => one,
        _ => {
            let vendors = held.iter().filter_map(|(_, node)| node.guid).map(|guid| guid.to_string()).collect();
            return Err(amiss(VariableError::Several { name: name.to_owned(), vendors }));
        }
    };
    let all = stores(base);
    let [store] = all[..] else { return Err(amiss(VariableError::Stores { count: all.len() })) };
    let authenticated = |store: &Node| store.guid == Some(Guid(AUTHENTICATED_STORE));
    let attributes = variable.number.expect("a variable has attributes");
    if authenticated(from) != authenticated(store) && attributes & AUTHENTICATED != 0 {
        return Err(amiss(VariableError::Authentication));
    }
    let stored = &present.bytes[variable.at as usize..variable.range().end as usize];
    let bytes = match authenticated(from) == authenticated(store) {
        // With its time stamp, which a later write has to be newer than.
        true => [&stored[..2], &[state::ADDED], &stored[3..]].concat(),
        false => {
            let head = if authenticated(from) { 60 } else { 32 };
            let vendor = variable.guid.expect("a variable has a vendor").0;
            let (name, data) = stored[head..].split_at(variable.lead as usize - head);
            encoded(state::ADDED, attributes, vendor, name, data, authenticated(store).then_some([0; 16]))
        }
    };
    let free = store.children.last().filter(|node| node.kind == Kind::Free && node.state == Some("erased"));
    let end = store.range().end as u32;
    let begin = cursor.next.or_else(|| free.map(|node| node.at as u32)).unwrap_or(end);
    let left = (end - begin) as usize;
    if bytes.len() > left {
        return Err(amiss(VariableError::Full { need: bytes.len(), left }));
    }
    let to = begin..begin + bytes.len() as u32;
    let after = to.end - store.at as u32;
    cursor.next = Some((store.at as u32 + after.next_multiple_of(4)).min(end));
    let mut writes = Vec::new();
    for old in live(store, name, variable.guid) {
        let at = old.at as u32 + 2;
        let bytes = vec![base.bytes[at as usize] & DELETE];
        writes.push(made(&kept.place, Done::Deleted, present, at..at + 1, bytes));
    }
    writes.push(made(&kept.place, Done::Variable, present, to, bytes));
    Ok(writes)
}

fn made<'a>(
    place: &'a TextPlace,
    done: Done,
    content: &'a Content<'a>,
    to: std::ops::Range<u32>,
    bytes: Vec<u8>,
) -> Write<'a> {
    Write { place, to, what: What::Made { done, source: &SourceRef::Present, content, bytes } }
}
