//! Network NVMs in an image: the region's node with one node for each bank. What the words say stands in [`crate::nvm`].

use std::ops::Range;

use super::walk::{Space, Walk};
use super::{Check, Kind, Node};
use crate::nvm::{Bank, COUNTED, Nvm, Sum};

/// Size of a bank outside of a region that says it.
const BANK: usize = 4096;

/// Returns whether a region can be a network NVM: two banks, not both blank.
pub(super) fn is_one(region: &[u8]) -> bool {
    Nvm::parse(region).is_ok_and(|nvm| nvm.banks.iter().any(|bank| !bank.blank))
}

/// Returns the first network NVM at or after `from` that proves itself, at a multiple of 4 KiB.
pub(super) fn find(bytes: &[u8], from: usize) -> Option<Range<usize>> {
    let holds =
        |bank: &Bank| bank.valid && bank.sum == Sum::Holds && bank.mac.is_some_and(|mac| mac.check_unicast().is_ok());
    (from.next_multiple_of(BANK)..bytes.len()).step_by(BANK).map(|at| at..at + 2 * BANK).find(|range| {
        let nvm = bytes.get(range.clone()).and_then(|region| Nvm::parse(region).ok());
        nvm.is_some_and(|nvm| nvm.banks.iter().any(holds) && nvm.banks.iter().all(|bank| bank.blank || holds(bank)))
    })
}

/// Reads the network NVM that takes `range`, of which [`is_one`] or [`find`] said so.
pub(super) fn read<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>) -> Node {
    let mut node = walk.node(space, Kind::Nvm, range.clone(), 0);
    let Ok(nvm) = Nvm::parse(&space.bytes()[range.clone()]) else { return node };
    let in_force = nvm.in_force();
    node.name = nvm.mac().map(|mac| mac.to_string().into());
    node.state = Some(if in_force.is_some() { "valid" } else { "not-valid" });
    node.children = walk.deeper(|walk| {
        let starts = (range.start..range.end).step_by(nvm.bank_size);
        starts.zip(nvm.banks).map(|(at, bank)| read_bank(walk, space, at..at + nvm.bank_size, &bank)).collect()
    });
    if in_force.is_none() {
        walk.bad("nvm-no-bank", &node, range.start, "neither bank of the network NVM is marked valid".into());
    }
    node
}

fn read_bank<'a>(walk: &mut Walk<'a, '_>, space: &Space<'a>, range: Range<usize>, bank: &Bank) -> Node {
    let at = range.start;
    let mut node = walk.node(space, Kind::Nvm, range, 0);
    node.state = Some(match bank {
        bank if bank.blank => "blank",
        bank if bank.valid => "valid",
        _ => "not-valid",
    });
    node.name = bank.mac.filter(|_| !bank.blank).map(|mac| mac.to_string().into());
    node.checks.push(match bank.sum {
        _ if bank.blank => Check::none("sum", at, COUNTED),
        Sum::Holds => Check::sum("sum", true, at, COUNTED),
        Sum::Fails => Check::sum("sum", false, at, COUNTED),
        Sum::NotInitialised | Sum::NotMade => Check::none("sum", at, COUNTED),
    });
    if bank.sum == Sum::Fails && !bank.blank {
        let message = format!("the bank's {COUNTED} counted bytes do not add up to BABAh");
        walk.bad("nvm-sum", &node, at, message);
    }
    node
}
