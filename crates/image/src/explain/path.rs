//! Paths: how a node is named in text, the same in findings and in selectors.
//!
//! A path is `/` and steps with `/` between, from the image down. A step is the node's kind, without the `pi-` of the kinds
//! that have it; then, where the node has something of its own, `:` and its GUID or name, or `%` and the number of its type
//! in hexadecimal digits; and `#2` when it is the second of several that would read the same. So a path says the same node in the next
//! version of an image as long as GUIDs and names stay.
//!
//! Names with other characters than letters, digits, `.`, `_` and `-` stand in double quotes, and a quote in them is doubled.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use super::{Explanation, Kind, Node, guid};

/// Names longer than this are left out of paths.
const LONGEST: usize = 48;

/// Returns the path of the node that is reached from the top by these indices into `structures` and `children`.
///
/// None when an index has no node.
pub fn path_of(explanation: &Explanation, indices: &[usize]) -> Option<String> {
    let mut nodes = &explanation.structures;
    let mut path = String::new();
    for index in indices {
        path.push('/');
        path.push_str(steps(nodes).get(*index)?);
        nodes = &nodes[*index].children;
    }
    Some(path)
}

/// Returns the paths of the nodes with these ids.
pub(super) fn of_ids(structures: &[Node], wanted: &HashSet<u32>) -> HashMap<u32, Arc<str>> {
    fn add(nodes: &[Node], prefix: &str, wanted: &HashSet<u32>, paths: &mut HashMap<u32, Arc<str>>) {
        for (node, step) in nodes.iter().zip(steps(nodes)) {
            let path = format!("{prefix}/{step}");
            add(&node.children, &path, wanted, paths);
            if wanted.contains(&node.id) {
                paths.insert(node.id, path.into());
            }
        }
    }
    let mut paths = HashMap::new();
    if !wanted.is_empty() {
        add(structures, "", wanted, &mut paths);
    }
    paths
}

/// Returns the step that names each of these siblings.
pub(crate) fn steps(siblings: &[Node]) -> Vec<String> {
    let mut steps: Vec<String> = siblings.iter().map(label).collect();
    let mut counts: HashMap<&str, u32> = HashMap::new();
    for step in &steps {
        *counts.entry(step).or_default() += 1;
    }
    let repeated: Vec<bool> = steps.iter().map(|step| counts[step.as_str()] > 1).collect();
    let mut seen: HashMap<String, u32> = HashMap::new();
    for (step, repeated) in steps.iter_mut().zip(repeated) {
        if repeated {
            let number = seen.entry(step.clone()).or_default();
            *number += 1;
            step.push_str(&format!("#{number}"));
        }
    }
    steps
}

/// Returns the kind as steps write it.
pub(crate) fn short(kind: Kind) -> &'static str {
    kind.name().trim_start_matches("pi-")
}

/// Returns the step of a node without the number that tells it from siblings that read the same.
pub(crate) fn label(node: &Node) -> String {
    let kind = short(node.kind);
    let name = node.name.as_deref().filter(|name| name.len() <= LONGEST);
    let guid = node.guid.filter(|guid| *guid != guid::PAD);
    let by_name = |name: &str| format!("{kind}:{}", quoted(name));
    let by_guid = |guid| format!("{kind}:{guid}");
    let by_number = |number| format!("{kind}%{number:x}");
    match node.kind {
        Kind::PiFile | Kind::PiSection | Kind::Capsule => guid.map(by_guid).or(node.number.map(by_number)),
        Kind::Variable => name.map(|name| match node.state {
            Some(state) if state != "added" => format!("{}:{state}", by_name(name)),
            _ => by_name(name),
        }),
        Kind::PiVolume => name.map(by_name).or(guid.map(by_guid)),
        Kind::Region | Kind::Partition => name.map(by_name),
        Kind::Microcode | Kind::FitEntry => node.number.map(by_number),
        _ => None,
    }
    .unwrap_or_else(|| kind.to_owned())
}

/// Returns a name as steps write it.
pub(crate) fn quoted(name: &str) -> String {
    let plain = |character: char| character.is_alphanumeric() || ".-_".contains(character);
    match !name.is_empty() && name.chars().all(plain) {
        true => name.to_owned(),
        false => format!("\"{}\"", name.replace('"', "\"\"")),
    }
}
