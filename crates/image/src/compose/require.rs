//! Looks at what a recipe requires of the result. All requirements are looked at, so that a person sees all that fail at once.
//!
//! Two answers to a question are kept apart: a place that does not exist in its content is a mistake in the recipe and ends the
//! composing; a place that holds something else than required is an [`Unmet`].

use std::ops::Range;

use super::content::{Content, Contents};
use super::{ComposeError, Composed, Unmet, indices};
use crate::nvm::{Nvm, Sum};
use crate::recipe::{Condition, MacKind, Recipe, Require, Selector, SourceRef, State};

pub(super) fn check(
    contents: &Contents<'_>,
    base: &Content<'_>,
    composed: &mut Composed,
    recipe: &Recipe,
) -> Result<(), ComposeError> {
    let check = Check { contents, base, image: &composed.bytes, recipe };
    let mut unmet = Vec::new();
    for require in &recipe.requires {
        if let Some(why) = check.one(require)? {
            unmet.push(Unmet { place: require.place.clone(), why });
        }
    }
    if unmet.is_empty() { Ok(()) } else { Err(ComposeError::Unmet(unmet)) }
}

struct Check<'a> {
    contents: &'a Contents<'a>,
    base: &'a Content<'a>,
    image: &'a [u8],
    recipe: &'a Recipe,
}

impl Check<'_> {
    /// Returns why a requirement does not hold; none when it does.
    fn one(&self, require: &Require) -> Result<Option<String>, ComposeError> {
        let unmet = match &require.condition {
            Condition::Size(size) => {
                let found = self.image.len();
                (found != *size as usize).then(|| format!("the image has {found} bytes, not {size}"))
            }
            Condition::Is { what, state } => return self.state(require, what, *state),
            Condition::Bytes { at, bytes } => {
                let end = at.saturating_add(u32::try_from(bytes.len()).expect("the recipe's text is short"));
                let range = self.range(require, &Selector::Range(*at..end))?;
                let differs = self.image[indices(&range)] != **bytes;
                differs.then(|| format!("other bytes stand at {at:#x}"))
            }
            Condition::Hash { what, pin } => {
                let range = match what {
                    Some(what) => self.range(require, what)?,
                    None => self.base.whole(),
                };
                let found = pin.of_same_kind(&self.image[indices(&range)]);
                (found != *pin).then(|| format!("{} are {found}, not {pin}", shown(&range)))
            }
            Condition::SumHolds { region } => {
                let range = self.range(require, &Selector::Region(region.clone()))?;
                sum_fails(&self.image[indices(&range)])
            }
            Condition::Mac { region, kind } => return self.mac(require, region, *kind),
        };
        Ok(unmet)
    }

    fn state(&self, require: &Require, what: &Selector, state: State) -> Result<Option<String>, ComposeError> {
        let range = self.range(require, what)?;
        let found = &self.image[indices(&range)];
        let first_other = found.iter().position(|byte| *byte != 0xFF);
        let at = |offset: usize| range.start as usize + offset;
        Ok(match state {
            State::Blank => {
                first_other.map(|first| format!("{} are not blank, first at {:#x}", shown(&range), at(first)))
            }
            State::NotBlank if first_other.is_none() => Some(format!("{} are blank", shown(&range))),
            State::NotBlank => None,
            State::AsBase => differs(found, &self.base.bytes[indices(&range)], "the base", &range),
            State::AsPresent => {
                let present = self.contents.of(&SourceRef::Present);
                let other = present.range(what, &SourceRef::Present, &require.place)?;
                differs(found, &present.bytes[indices(&other)], "the present capture", &range)
            }
        })
    }

    fn mac(&self, require: &Require, region: &str, kind: MacKind) -> Result<Option<String>, ComposeError> {
        let selector = Selector::Region(region.to_owned());
        let range = self.range(require, &selector)?;
        let mac = |region: &[u8]| Nvm::parse(region).ok().and_then(|nvm| nvm.mac());
        let Some(found) = mac(&self.image[indices(&range)]) else {
            return Ok(Some(format!("the network NVM at {} has no address", shown(&range))));
        };
        let unmet = match kind {
            MacKind::Local if found.is_group() || !found.is_local() => "the address is not a locally administered one",
            MacKind::Universal if found.is_group() || found.is_local() => "the address is not one that a maker gave",
            MacKind::AsPresent => {
                let present = self.contents.of(&SourceRef::Present);
                let other = present.range(&selector, &SourceRef::Present, &require.place)?;
                if mac(&present.bytes[indices(&other)]) == Some(found) {
                    return Ok(None);
                }
                "the address is not that of the present capture"
            }
            MacKind::Local | MacKind::Universal => return Ok(None),
        };
        Ok(Some(unmet.to_owned()))
    }

    /// The image is laid out like the base.
    fn range(&self, require: &Require, selector: &Selector) -> Result<Range<u32>, ComposeError> {
        self.base.range(selector, &self.recipe.base.source, &require.place)
    }
}

fn sum_fails(region: &[u8]) -> Option<String> {
    let nvm = match Nvm::parse(region) {
        Ok(nvm) => nvm,
        Err(error) => return Some(error.to_string()),
    };
    let Some(bank) = nvm.in_force() else {
        return Some("neither bank of the network NVM is marked valid".to_owned());
    };
    let why = match nvm.banks[bank].sum {
        Sum::Holds => return None,
        Sum::NotInitialised | Sum::NotMade => "has no checksum",
        Sum::Fails => "does not add up",
    };
    Some(format!("bank {bank} of the network NVM, which is the one in force, {why}"))
}

fn differs(found: &[u8], wanted: &[u8], of: &str, range: &Range<u32>) -> Option<String> {
    if found.len() != wanted.len() {
        return Some(format!("{} are {} bytes, and in {of} there are {}", shown(range), found.len(), wanted.len()));
    }
    let count = found.iter().zip(wanted).filter(|(found, wanted)| found != wanted).count();
    let first = found.iter().zip(wanted).position(|(found, wanted)| found != wanted)?;
    let first = range.start as usize + first;
    Some(format!("{} differ from {of} in {count} bytes, first at {first:#x}", shown(range)))
}

fn shown(range: &Range<u32>) -> String {
    format!("{:#x} to {:#x}", range.start, range.end)
}
