//! Selectors: naming one node of an image, and taking its bytes out.
//!
//! A selector is steps with `/` between. Each step is a kind, without the `pi-` of the kinds that have it, and what is asked
//! of the node:
//!
//! | part | asks for | example |
//! |---|---|---|
//! | `:KEY` | this name, GUID or state; several are all asked for | `file:PeiCore`, `variable:BootOrder:added` |
//! | `%TYPE` | this type, hexadecimal | `section%10` |
//! | `#NUMBER` | the second, third, ... of those that match, in the order of addresses | `volume#2` |
//!
//! With a `/` in front the first step stands at the top of the image; without one, anywhere in it. The next step stands
//! directly inside. So `file:PeiCore/section%10` is the image of that file wherever it is packed, and stays so in the next
//! version. A key with characters beyond letters, digits, `.`, `_` and `-` stands in double quotes; a quote in it is doubled.
//! The paths of findings and spaces are selectors.
//!
//! [`take`] gives bytes as stored, head and all, or the content: decompressed where the section is packed, put together where
//! the file is UF2, else what follows the lead. Its SHA-256 is then the node's `content_sha256`, but for UF2.
//!
//! The decision a reader would question: a selector that fits two nodes is an error and not the first of them. What is taken is
//! carried into another image, and nobody would see that it was the wrong one.

use std::fmt;
use std::str::FromStr;

use crate::explain::{Explanation, Fault, Guid, Kind, Node, content, explain, quoted, short, steps};

mod parse;

pub use parse::SelectorError;

/// A selector as a person writes it; see the module's text for the language.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Selector {
    /// Whether the first step stands at the top.
    from_top: bool,
    steps: Vec<Wanted>,
}

/// What one step asks for.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Wanted {
    kind: Kind,
    keys: Vec<String>,
    number: Option<u32>,
    nth: Option<usize>,
}

/// Which bytes of a node are taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Form {
    /// As stored, head included.
    Stored,
    /// The content: decompressed, put together, or what follows the lead.
    Decoded,
}

/// Why a selector gives no bytes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SelectError {
    /// Nothing fits a step.
    #[error("nothing fits `{step}` {place}; there {}", listed(.here))]
    Nothing {
        /// The step.
        step: String,
        /// Where it was looked for, in words.
        place: String,
        /// Steps that name what is there, at most twenty.
        here: Vec<String>,
    },
    /// More than one node fits.
    #[error("`{selector}` fits {count} nodes; say which: {}", .candidates.join(", "))]
    Several {
        /// The selector.
        selector: String,
        /// How many.
        count: usize,
        /// Paths of the first twenty.
        candidates: Vec<String>,
    },
    /// The node stands in packed content that cannot be unpacked now.
    #[error("the content of `{path}` does not unpack: {reason}")]
    Packed {
        /// Path of the packed node.
        path: String,
        /// What is wrong.
        reason: String,
    },
}

/// Returns the bytes of the node that `selector` names in `image`.
///
/// # Errors
///
/// [`SelectError`] when nothing fits, more than one node fits, or a content on the way does not unpack.
///
/// # Example
///
/// ```
/// use image::select::{Form, take};
///
/// let image = image::scenario::larkspur_main(1, image::scenario::LARKSPUR_MAC);
/// let region = take(&image, &"/region:network".parse()?, Form::Stored)?;
/// assert_eq!(region.len(), 8192);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn take(image: &[u8], selector: &Selector, form: Form) -> Result<Vec<u8>, SelectError> {
    let explanation = explain(image);
    let found = find(&explanation, selector)?;
    bytes_of(image, &explanation, &found, form)
}

/// Returns where the one node that `selector` names stands in the tree: indices from the top down.
///
/// # Errors
///
/// [`SelectError`] when nothing fits, or more than one node.
pub fn find(explanation: &Explanation, selector: &Selector) -> Result<Vec<usize>, SelectError> {
    let mut found: Vec<Vec<usize>> = Vec::new();
    for (index, wanted) in selector.steps.iter().enumerate() {
        let next = match index {
            0 if selector.from_top => among(&explanation.structures, &[], wanted),
            0 => anywhere(explanation, wanted),
            _ => found.iter().flat_map(|path| among(children(explanation, path), path, wanted)).collect(),
        };
        if next.is_empty() {
            let parent = found.first().map(Vec::as_slice).unwrap_or_default();
            return Err(nothing(explanation, wanted, parent, index == 0 && !selector.from_top));
        }
        found = next;
    }
    match found.len() {
        1 => Ok(found.remove(0)),
        count => {
            let candidates = found.iter().take(LISTED).map(|path| path_text(explanation, path)).collect();
            Err(SelectError::Several { selector: selector.to_string(), count, candidates })
        }
    }
}

/// Returns the node at these indices, as [`find`] gives them; none when an index has no node.
pub fn node_at<'e>(explanation: &'e Explanation, path: &[usize]) -> Option<&'e Node> {
    let (last, above) = path.split_last()?;
    let siblings = above.iter().try_fold(&explanation.structures, |nodes, index| Some(&nodes.get(*index)?.children));
    siblings?.get(*last)
}

/// Returns what can stand where `typed` ends, as whole selectors from the top, in the order of addresses.
///
/// `typed` begins with `/`, or is empty. Nothing comes back when the steps before the last name no node.
pub fn completions(explanation: &Explanation, typed: &str) -> Vec<String> {
    let cut = parse::last_slash(typed);
    let (above, begun) = cut.map_or(("", typed), |at| (&typed[..at], &typed[at + 1..]));
    let siblings = match above {
        "" => Some(explanation.structures.as_slice()),
        above => {
            let found = above.parse().ok().and_then(|selector| find(explanation, &selector).ok());
            found.map(|path| children(explanation, &path))
        }
    };
    let steps = siblings.map(steps).unwrap_or_default();
    steps.into_iter().filter(|step| step.starts_with(begun)).map(|step| format!("{above}/{step}")).collect()
}

/// How many things an error lists.
const LISTED: usize = 20;

/// Returns the bytes of the node at `path`, unpacking what stands around it.
pub(crate) fn bytes_of(
    image: &[u8],
    explanation: &Explanation,
    path: &[usize],
    form: Form,
) -> Result<Vec<u8>, SelectError> {
    let limit = image.len().saturating_mul(2).saturating_add(32 << 20);
    let mut ground: Option<Vec<u8>> = None;
    for depth in 1..=path.len() {
        let Some(node) = node_at(explanation, &path[..depth]) else { break };
        let last = depth == path.len();
        let next = path.get(depth).and_then(|index| node.children.get(*index));
        let unpacks = next.is_some_and(|next| next.space != node.space) || (last && form == Form::Decoded);
        let around = ground.as_deref().unwrap_or(image);
        if unpacks {
            let unpacked = content(around, node, limit).map_err(|fault| {
                let reason = match fault {
                    Fault::TooLarge => "it is larger than the budget for contents".to_owned(),
                    Fault::Broken { reason, .. } => reason,
                };
                SelectError::Packed { path: path_text(explanation, &path[..depth]), reason }
            })?;
            ground = Some(unpacked);
        } else if last {
            return Ok(around[node.at as usize..node.range().end as usize].to_vec());
        }
    }
    Ok(ground.unwrap_or_default())
}

fn children<'e>(explanation: &'e Explanation, path: &[usize]) -> &'e [Node] {
    node_at(explanation, path).map(|node| node.children.as_slice()).unwrap_or_default()
}

/// Returns the paths of those siblings that a step fits.
fn among(siblings: &[Node], above: &[usize], wanted: &Wanted) -> Vec<Vec<usize>> {
    let path = |index: usize| [above, &[index]].concat();
    // A step as paths write it means that very node, though others would fit it too.
    let text = wanted.to_string();
    if let Some(index) = steps(siblings).iter().position(|step| *step == text) {
        return vec![path(index)];
    }
    let fitting = (0..siblings.len()).filter(|index| wanted.fits(&siblings[*index])).map(path);
    chosen(fitting, wanted.nth)
}

fn anywhere(explanation: &Explanation, wanted: &Wanted) -> Vec<Vec<usize>> {
    fn collect(nodes: &[Node], above: &mut Vec<usize>, wanted: &Wanted, found: &mut Vec<Vec<usize>>) {
        for (index, node) in nodes.iter().enumerate() {
            above.push(index);
            if wanted.fits(node) {
                found.push(above.clone());
            }
            collect(&node.children, above, wanted, found);
            above.pop();
        }
    }
    let mut found = Vec::new();
    collect(&explanation.structures, &mut Vec::new(), wanted, &mut found);
    chosen(found.into_iter(), wanted.nth)
}

fn chosen(mut fitting: impl Iterator<Item = Vec<usize>>, nth: Option<usize>) -> Vec<Vec<usize>> {
    match nth {
        Some(nth) => fitting.nth(nth - 1).into_iter().collect(),
        None => fitting.collect(),
    }
}

fn nothing(explanation: &Explanation, wanted: &Wanted, parent: &[usize], anywhere: bool) -> SelectError {
    let (place, siblings) = match (anywhere, parent) {
        (true, _) => ("anywhere in the image".to_owned(), explanation.structures.as_slice()),
        (false, []) => ("at the top of the image".to_owned(), explanation.structures.as_slice()),
        (false, parent) => (format!("inside `{}`", path_text(explanation, parent)), children(explanation, parent)),
    };
    let alike: Vec<String> = match anywhere {
        // What has the kind is nearer to what was meant than what stands at the top.
        true => explanation
            .nodes()
            .filter(|(_, node)| node.kind == wanted.kind)
            .filter_map(|(_, node)| own_name(node))
            .collect(),
        false => steps(siblings),
    };
    let mut here = if alike.is_empty() { steps(siblings) } else { alike };
    here.dedup();
    here.truncate(LISTED);
    SelectError::Nothing { step: wanted.to_string(), place, here }
}

fn own_name(node: &Node) -> Option<String> {
    let key = node.name.as_deref().map(quoted).or(node.guid.map(|guid| guid.to_string()))?;
    Some(format!("{}:{key}", short(node.kind)))
}

fn path_text(explanation: &Explanation, path: &[usize]) -> String {
    crate::explain::path_of(explanation, path).unwrap_or_default()
}

fn listed(here: &[String]) -> String {
    match here {
        [] => "stands nothing".to_owned(),
        here => format!("stand {}", here.join(", ")),
    }
}

impl Wanted {
    /// Returns whether a node has all that is asked for, its place in the order aside.
    fn fits(&self, node: &Node) -> bool {
        let fits_key = |key: &String| {
            node.name.as_deref() == Some(key)
                || node.state == Some(key)
                || (node.guid.is_some() && Guid::from_str(key).ok() == node.guid)
        };
        node.kind == self.kind
            && self.keys.iter().all(fits_key)
            && self.number.is_none_or(|number| node.number == Some(number))
    }
}

impl fmt::Display for Wanted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(short(self.kind))?;
        for key in &self.keys {
            write!(f, ":{}", quoted(key))?;
        }
        if let Some(number) = self.number {
            write!(f, "%{number:x}")?;
        }
        if let Some(nth) = self.nth {
            write!(f, "#{nth}")?;
        }
        Ok(())
    }
}

impl fmt::Display for Selector {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, step) in self.steps.iter().enumerate() {
            let slash = if index > 0 || self.from_top { "/" } else { "" };
            write!(f, "{slash}{step}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
