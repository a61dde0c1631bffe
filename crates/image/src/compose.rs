//! Composing an image by a recipe.
//!
//! [`compose`] takes a [`Recipe`], the contents that [`Recipe::sources`] names, and the address that was drawn for the machine,
//! if any. It returns the image with a list of what was done, for the manifest. The same recipe, contents and address give the
//! same bytes. Fetching contents, drawing an address, and storing the result are left to the caller.
//!
//! The order is fixed: the base; `[[fill]]`; `[[keep]]`; `[[place]]`; the address; the access bits; then every `[[require]]` is
//! looked at. Hashes are checked before anything else. No two fills, keeps and places may share a byte, so their order does not show in the result.
//! The address goes into whatever network NVM these leave. The image has the base's size, and so has the present capture (S8).
//!
//! Names of regions are those of the descriptor of the content they are looked up in: of the base for where something goes, of
//! the source for where it comes from. A content without a descriptor has the map that the caller hands over, from the profile.
//!
//! The decision a reader would question: a requirement that does not hold is an error, and no image comes back. A composed
//! image is made to be written to a chip; one that its own recipe calls wrong must not lie about.
//!
//! Who may access which region of a chip is left as the descriptor says it, unless the recipe has `[access]`.
//!
//! Contents are hostile input (S10) and hold secrets (S15): errors, steps and findings name places and hashes, never bytes.

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;

use crate::descriptor::{Access, access, set_access};
use crate::mac::Mac;
use crate::nvm::{self, Nvm, NvmError};
use crate::pin::Pin;
use crate::recipe::{AccessRule, AddressRule, MacRule, Recipe, Regions, Selector, SourceRef, Target, TextPlace};

mod content;
mod error;
mod require;
mod step;
mod variable;

pub use content::{NamedRange, Sources, network_address};
pub use error::{ComposeError, Unmet};
pub use step::{Done, Finding, Severity, Step};
pub use variable::VariableError;

use content::{Content, Contents};

/// The address that comes from outside of recipe and contents.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Address {
    /// None does.
    None,
    /// This one, as somebody read it off the machine's label; for recipes that say `address = "given"` without a value.
    Given(Mac),
    /// This one: drawn once ([`Mac::local_from`]), kept in the manifest, and given each time. Other recipes take no notice of it.
    Drawn(Mac),
}

/// A composed image.
#[derive(Clone, PartialEq, Eq)]
pub struct Composed {
    /// The image.
    pub bytes: Vec<u8>,
    /// What was done, in order.
    pub steps: Vec<Step>,
    /// The address that `[mac]` put in; none when the recipe has no such table.
    pub mac: Option<Mac>,
    /// What a person should know about the image.
    pub findings: Vec<Finding>,
}

/// Returns the image that `recipe` composes out of `sources`.
///
/// # Errors
///
/// [`ComposeError`] for a content that is missing or not the pinned one, a place that does not exist or does not fit exactly,
/// two writes to one byte, an address that cannot be put in, and all requirements that do not hold.
///
/// # Example
///
/// ```
/// use image::compose::{Address, Sources, compose};
/// use image::pin::Pin;
/// use image::recipe::Recipe;
///
/// let (old, new) = (b"old firmware 17".as_slice(), b"new firmware ??".as_slice());
/// let text = format!("[base]\nimage = \"{}\"\n[[keep]]\nat = 13\nlen = 2\n", Pin::sha256(new));
/// let recipe = Recipe::parse(&text, "example.toml")?;
/// let mut sources = Sources::new();
/// for (source, bytes) in recipe.sources().into_iter().zip([new, old]) {
///     sources = sources.with(source, bytes);
/// }
/// assert_eq!(compose(&recipe, &sources, Address::None)?.bytes, b"new firmware 17");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn compose(recipe: &Recipe, sources: &Sources<'_>, address: Address) -> Result<Composed, ComposeError> {
    let contents = Contents::checked(recipe, sources)?;
    let base = contents.of(&recipe.base.source);
    let mut work = Work {
        recipe,
        base,
        contents: &contents,
        composed: Composed { bytes: base.bytes.to_vec(), steps: Vec::new(), mac: None, findings: Vec::new() },
    };
    work.note_base();
    let writes = work.writes()?;
    check_apart(&writes)?;
    writes.iter().for_each(|write| work.write(write));
    if let Some(rule) = &recipe.address {
        work.put_address(rule, address)?;
    }
    if let Some(rule) = &recipe.access {
        work.put_access(rule)?;
    }
    require::check(&contents, base, &mut work.composed, recipe)?;
    work.look_over();
    Ok(work.composed)
}

/// Contents hold secrets (S15): the image shows its size alone.
impl fmt::Debug for Composed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Composed")
            .field("size", &self.bytes.len())
            .field("steps", &self.steps)
            .field("findings", &self.findings)
            .finish_non_exhaustive()
    }
}

/// One write that a recipe asks for, its ranges known and inside their contents.
struct Write<'a> {
    place: &'a TextPlace,
    to: Range<u32>,
    what: What<'a>,
}

enum What<'a> {
    Fill(u8),
    Copy {
        done: Done,
        source: &'a SourceRef,
        content: &'a Content<'a>,
        from: Range<u32>,
    },
    /// Bytes that are no range of the content: what a structure holds, unpacked, or a variable for another store.
    Made {
        done: Done,
        source: &'a SourceRef,
        content: &'a Content<'a>,
        bytes: Vec<u8>,
    },
}

struct Work<'a> {
    recipe: &'a Recipe,
    base: &'a Content<'a>,
    contents: &'a Contents<'a>,
    composed: Composed,
}

impl<'a> Work<'a> {
    fn note_base(&mut self) {
        let whole = self.base.whole();
        self.composed.steps.push(Step {
            place: self.recipe.base.place.clone(),
            done: Done::Base,
            source: Some((self.recipe.base.source.clone(), self.base.id)),
            from: Some(whole.clone()),
            to: whole,
            sha256: Pin::sha256(self.base.bytes),
        });
    }

    /// Everything that fills, keeps and places ask for, in this order.
    fn writes(&self) -> Result<Vec<Write<'a>>, ComposeError> {
        let mut writes = Vec::new();
        for fill in &self.recipe.fills {
            let to = self.base.range(&fill.to, &self.recipe.base.source, &fill.place)?;
            writes.push(Write { place: &fill.place, to, what: What::Fill(fill.byte) });
        }
        for keep in &self.recipe.keeps {
            let content = self.contents.of(&SourceRef::Present);
            let from = content.range(&keep.what, &SourceRef::Present, &keep.place)?;
            let to = self.base.range(&keep.what, &self.recipe.base.source, &keep.place)?;
            writes.push(copy(&keep.place, Done::Keep, &SourceRef::Present, content, from, to)?);
        }
        let mut cursor = variable::Cursor::default();
        for kept in &self.recipe.variables {
            let present = self.contents.of(&SourceRef::Present);
            writes.extend(variable::writes(kept, present, self.base, &mut cursor)?);
        }
        for part in &self.recipe.parts {
            let content = self.contents.of(&part.source);
            if let (true, Some(Selector::Structure(selector))) = (part.decoded, &part.from) {
                let bytes = content.unpacked(selector, &part.source, &part.place)?;
                let len = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
                let to = self.base.range(&target(&part.to, len), &self.recipe.base.source, &part.place)?;
                if to.end - to.start != len {
                    let content = Box::new(part.source.clone());
                    return Err(ComposeError::Misfit { place: part.place.clone(), content, from: 0..len, to });
                }
                let what = What::Made { done: Done::Place, source: &part.source, content, bytes };
                writes.push(Write { place: &part.place, to, what });
                continue;
            }
            let from = match &part.from {
                Some(selector) => content.range(selector, &part.source, &part.place)?,
                None => content.whole(),
            };
            let to = self.base.range(&target(&part.to, len(&from)), &self.recipe.base.source, &part.place)?;
            writes.push(copy(&part.place, Done::Place, &part.source, content, from, to)?);
        }
        Ok(writes)
    }

    fn write(&mut self, write: &Write<'_>) {
        let target = &mut self.composed.bytes[indices(&write.to)];
        let (done, source, from) = match &write.what {
            What::Fill(byte) => {
                target.fill(*byte);
                (Done::Fill(*byte), None, None)
            }
            What::Copy { done, source, content, from } => {
                target.copy_from_slice(&content.bytes[indices(from)]);
                (*done, Some(((*source).clone(), content.id)), Some(from.clone()))
            }
            What::Made { done, source, content, bytes } => {
                target.copy_from_slice(bytes);
                (*done, Some(((*source).clone(), content.id)), None)
            }
        };
        let sha256 = Pin::sha256(target);
        self.composed.steps.push(Step { place: write.place.clone(), done, source, from, to: write.to.clone(), sha256 });
    }

    fn put_address(&mut self, rule: &AddressRule, address: Address) -> Result<(), ComposeError> {
        let place = || rule.place.clone();
        let mut source = None;
        let mac = match (rule.rule, address) {
            (MacRule::Given(Some(mac)), _) => mac,
            (MacRule::Given(None), Address::Given(mac)) => {
                mac.check_unicast().map_err(|unfit| ComposeError::GivenAmiss { place: place(), source: unfit })?;
                mac
            }
            (MacRule::Given(None), _) => return Err(ComposeError::NotGiven { place: place() }),
            (MacRule::Drawn, Address::None | Address::Given(_)) => {
                return Err(ComposeError::NotDrawn { place: place() });
            }
            (MacRule::Drawn, Address::Drawn(mac)) if !mac.is_local() || mac.is_group() => {
                return Err(ComposeError::DrawnAmiss { place: place() });
            }
            (MacRule::Drawn, Address::Drawn(mac)) => mac,
            (MacRule::Carried, _) => {
                let present = self.contents.of(&SourceRef::Present);
                source = Some((SourceRef::Present, present.id));
                let region = Selector::Region(rule.region.clone());
                let from = present.range(&region, &SourceRef::Present, &rule.place)?;
                carried(&present.bytes[indices(&from)])
                    .map_err(|why| ComposeError::NothingToCarry { place: place(), source: why })?
            }
        };
        let region = Selector::Region(rule.region.clone());
        let to = self.base.range(&region, &self.recipe.base.source, &rule.place)?;
        let region = &mut self.composed.bytes[indices(&to)];
        let amiss = |source| ComposeError::AddressAmiss { place: place(), source };
        let before = Nvm::parse(region).map_err(amiss)?;
        let banks = nvm::set_address(region, mac).map_err(amiss)?;
        let sha256 = Pin::sha256(region);
        self.composed.findings.extend(step::of_banks(&before, banks, &to));
        self.composed.steps.push(Step {
            place: place(),
            done: Done::Address { banks },
            source,
            from: None,
            to,
            sha256,
        });
        self.composed.mac = Some(mac);
        Ok(())
    }

    /// Gives the masters the rights that the recipe names, in the descriptor that everything before this left.
    fn put_access(&mut self, rule: &AccessRule) -> Result<(), ComposeError> {
        for grant in &rule.grants {
            let amiss = |source| ComposeError::Access { place: grant.place.clone(), source };
            let before = access(&self.composed.bytes, grant.master, rule.layout).map_err(amiss)?;
            let field = |wanted: Option<Regions>, now: u16| match wanted {
                None => now,
                Some(Regions::All) => before.layout.all(),
                Some(Regions::These(bits)) => bits,
            };
            let now =
                Access { read: field(grant.read, before.access.read), write: field(grant.write, before.access.write) };
            set_access(&mut self.composed.bytes, grant.master, rule.layout, now).map_err(amiss)?;
            let at = u32::try_from(before.at).expect("inside the descriptor");
            let sha256 = Pin::sha256(&self.composed.bytes[indices(&(at..at + 4))]);
            self.composed.findings.extend(step::of_access(grant.master, before.access, now, at));
            self.composed.steps.push(Step {
                place: grant.place.clone(),
                done: Done::Access { master: grant.master, before: before.access, now },
                source: None,
                from: None,
                to: at..at + 4,
                sha256,
            });
        }
        Ok(())
    }

    /// Finds what a recipe may have overlooked.
    fn look_over(&mut self) {
        for kept in self.recipe.variables.iter().filter(|kept| kept.optional) {
            if !self.composed.steps.iter().any(|step| step.place == kept.place) {
                self.composed.findings.push(step::variable_absent(&kept.name));
            }
        }
        let bytes = &self.composed.bytes;
        let own_map = self.base.map.as_ref().ok().filter(|_| !self.base.map_is_lent);
        if own_map.is_some_and(|map| content::own_map(bytes).ok().as_ref() != Some(map)) {
            self.composed.findings.push(step::map_changed());
        }
        if self.recipe.address.is_none()
            && let Some(present) = self.contents.get(&SourceRef::Present)
            && let (Some((own, _)), Some((new, at))) = (present.mac(present.bytes), self.base.mac(bytes))
            && own != new
        {
            self.composed.findings.push(step::other_address(at));
        }
    }
}

/// The address of the bank in force of a present capture's network NVM.
fn carried(region: &[u8]) -> Result<Mac, Option<NvmError>> {
    let nvm = Nvm::parse(region).map_err(Some)?;
    let bank = nvm.in_force().ok_or(Some(NvmError::NoValidBank))?;
    if nvm.banks[bank].sum == nvm::Sum::Fails {
        return Err(Some(NvmError::SumFails { bank }));
    }
    let mac = nvm.mac().ok_or(None)?;
    mac.check_unicast().map_err(|unfit| Some(NvmError::Unfit(unfit)))?;
    Ok(mac)
}

/// Where a part of `len` bytes goes.
fn target(to: &Target, len: u32) -> Selector {
    match to {
        Target::Region(name) => Selector::Region(name.clone()),
        Target::Structure(selector) => Selector::Structure(selector.clone()),
        // Past the end of 32 bits it is past the base's end as well, which the range then says.
        Target::At(at) => Selector::Range(*at..at.saturating_add(len)),
    }
}

/// A copy between ranges of one length (S8).
fn copy<'a>(
    place: &'a TextPlace,
    done: Done,
    source: &'a SourceRef,
    content: &'a Content<'a>,
    from: Range<u32>,
    to: Range<u32>,
) -> Result<Write<'a>, ComposeError> {
    if len(&from) != len(&to) {
        return Err(ComposeError::Misfit { place: place.clone(), content: Box::new(source.clone()), from, to });
    }
    Ok(Write { place, to, what: What::Copy { done, source, content, from } })
}

fn check_apart(writes: &[Write<'_>]) -> Result<(), ComposeError> {
    let mut ordered: Vec<&Write<'_>> = writes.iter().collect();
    ordered.sort_by_key(|write| (write.to.start, write.to.end));
    let clash = ordered.windows(2).find(|pair| pair[1].to.start < pair[0].to.end);
    match clash {
        None => Ok(()),
        Some(pair) => Err(ComposeError::Overlap {
            first: pair[0].place.clone(),
            first_range: pair[0].to.clone(),
            second: pair[1].place.clone(),
            second_range: pair[1].to.clone(),
        }),
    }
}

fn len(range: &Range<u32>) -> u32 {
    range.end - range.start
}

fn indices(range: &Range<u32>) -> Range<usize> {
    range.start as usize..range.end as usize
}

#[cfg(test)]
mod tests;
