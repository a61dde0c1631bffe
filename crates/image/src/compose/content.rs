//! The contents that a recipe takes, their hashes checked, and where in them things stand.

use std::cell::OnceCell;
use std::fmt;

use super::{BTreeMap, ComposeError, Mac, Nvm, Pin, Range, Recipe, Selector, SourceRef, TextPlace, indices};
use crate::descriptor::{DescriptorError, regions};
use crate::explain::{Explanation, explain};
use crate::recipe::NETWORK;
use crate::select::{self, SelectError};

/// A range of bytes with the name that recipes call it by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedRange {
    /// Its name.
    pub name: String,
    /// Its bytes, from the content's first.
    pub range: Range<u32>,
}

/// The contents that a recipe takes.
#[derive(Clone, Default)]
pub struct Sources<'a> {
    contents: BTreeMap<SourceRef, &'a [u8]>,
    map: Vec<NamedRange>,
}

impl<'a> Sources<'a> {
    /// Returns no contents at all.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a content. What was given for the same source before is replaced. One that the recipe does not take is no error: the
    /// present capture may be given always, and is then compared with the result.
    #[must_use]
    pub fn with(mut self, source: SourceRef, bytes: &'a [u8]) -> Self {
        self.contents.insert(source, bytes);
        self
    }

    /// Sets the region map of contents that have no flash descriptor.
    #[must_use]
    pub fn with_map(mut self, map: Vec<NamedRange>) -> Self {
        self.map = map;
        self
    }
}

/// Contents hold secrets (S15): they show their sizes alone.
impl fmt::Debug for Sources<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sizes: BTreeMap<_, _> = self.contents.iter().map(|(source, bytes)| (source, bytes.len())).collect();
        f.debug_struct("Sources").field("sizes", &sizes).field("map", &self.map).finish()
    }
}

/// One content, with what is known of it.
pub(super) struct Content<'a> {
    pub(super) bytes: &'a [u8],
    /// Its id in the vault.
    pub(super) id: Pin,
    pub(super) map: Result<Vec<NamedRange>, DescriptorError>,
    /// Whether the map is the caller's.
    pub(super) map_is_lent: bool,
    /// What is in it, once somebody asked for a structure.
    explained: OnceCell<Explanation>,
}

/// The contents by their sources; those that the recipe takes are all there.
pub(super) struct Contents<'a> {
    contents: BTreeMap<SourceRef, Content<'a>>,
}

impl<'a> Contents<'a> {
    /// Returns the contents that `recipe` takes, and the present capture if it was given.
    pub(super) fn checked(recipe: &Recipe, sources: &Sources<'a>) -> Result<Self, ComposeError> {
        let mut contents: BTreeMap<SourceRef, Content<'a>> = BTreeMap::new();
        let mut base_size = None;
        for (source, place) in recipe.uses() {
            if contents.contains_key(source) {
                continue;
            }
            let missing = || ComposeError::Missing { place: place.clone(), content: Box::new(source.clone()) };
            let bytes = sources.contents.get(source).copied().ok_or_else(missing)?;
            if bytes.is_empty() || u32::try_from(bytes.len()).is_err() {
                return Err(ComposeError::Size {
                    place: place.clone(),
                    content: Box::new(source.clone()),
                    len: bytes.len(),
                });
            }
            let base = *base_size.get_or_insert(bytes.len());
            if *source == SourceRef::Present && bytes.len() != base {
                return Err(ComposeError::PresentSize { place: place.clone(), present: bytes.len(), base });
            }
            if let Some(pinned) = source.pin() {
                let found = pinned.of_same_kind(bytes);
                if found != pinned {
                    return Err(ComposeError::NotPinned {
                        place: place.clone(),
                        content: Box::new(source.clone()),
                        pinned,
                        found,
                    });
                }
            }
            contents.insert(source.clone(), Content::of(bytes, source.pin(), &sources.map));
        }
        if let Some(present) =
            sources.contents.get(&SourceRef::Present).filter(|bytes| u32::try_from(bytes.len()).is_ok())
        {
            contents.entry(SourceRef::Present).or_insert_with(|| Content::of(present, None, &sources.map));
        }
        Ok(Self { contents })
    }

    /// Returns the content of a source that the recipe takes.
    pub(super) fn of(&self, source: &SourceRef) -> &Content<'a> {
        self.contents.get(source).expect("every use of a content in the recipe was checked")
    }

    /// Returns the content of a source if it was given.
    pub(super) fn get(&self, source: &SourceRef) -> Option<&Content<'a>> {
        self.contents.get(source)
    }
}

impl<'a> Content<'a> {
    fn of(bytes: &'a [u8], pin: Option<Pin>, lent: &[NamedRange]) -> Self {
        let id = pin.filter(|pin| matches!(pin, Pin::Blake3(_))).unwrap_or_else(|| Pin::blake3(bytes));
        let (map, map_is_lent) = map_of(bytes, lent);
        Self { bytes, id, map, map_is_lent, explained: OnceCell::new() }
    }

    /// Returns all of it.
    pub(super) fn whole(&self) -> Range<u32> {
        0..u32::try_from(self.bytes.len()).expect("checked when the content was taken in")
    }

    /// Returns the range that `selector` means in this content; it lies inside, and is not empty.
    pub(super) fn range(
        &self,
        selector: &Selector,
        source: &SourceRef,
        place: &TextPlace,
    ) -> Result<Range<u32>, ComposeError> {
        let range = match selector {
            Selector::Range(range) => range.clone(),
            Selector::Structure(selector) => {
                let found = self.find(selector, source, place)?;
                let node = select::node_at(self.explained(), &found).expect("it was found");
                if node.space.is_some() {
                    return Err(ComposeError::InsidePacked { place: place.clone(), content: Box::new(source.clone()) });
                }
                let inside = |at: u64| u32::try_from(at).expect("inside a content of at most 4 GiB");
                inside(node.at)..inside(node.at + node.size)
            }
            Selector::Region(name) => {
                let map = self.map.as_ref().map_err(|error| ComposeError::NoMap {
                    place: place.clone(),
                    content: Box::new(source.clone()),
                    source: error.clone(),
                })?;
                let found = map.iter().find(|region| region.name == *name).map(|region| region.range.clone());
                found.ok_or_else(|| ComposeError::NoRegion {
                    place: place.clone(),
                    content: Box::new(source.clone()),
                    region: name.clone(),
                    known: map.iter().map(|region| region.name.clone()).collect(),
                })?
            }
        };
        if range.start < range.end && range.end <= self.whole().end {
            return Ok(range);
        }
        let len = self.whole().end;
        Err(ComposeError::Beyond { place: place.clone(), content: Box::new(source.clone()), range, len })
    }

    /// Returns the content of a structure, unpacked where it is packed.
    pub(super) fn unpacked(
        &self,
        selector: &select::Selector,
        source: &SourceRef,
        place: &TextPlace,
    ) -> Result<Vec<u8>, ComposeError> {
        let found = self.find(selector, source, place)?;
        select::bytes_of(self.bytes, self.explained(), &found, select::Form::Decoded)
            .map_err(|error| no_structure(error, source, place))
    }

    fn find(
        &self,
        selector: &select::Selector,
        source: &SourceRef,
        place: &TextPlace,
    ) -> Result<Vec<usize>, ComposeError> {
        select::find(self.explained(), selector).map_err(|error| no_structure(error, source, place))
    }

    pub(super) fn explained(&self) -> &Explanation {
        self.explained.get_or_init(|| explain(self.bytes))
    }

    /// Returns the address in the network NVM of `bytes`, which are laid out like this content, and where that NVM stands.
    pub(super) fn mac(&self, bytes: &[u8]) -> Option<(Mac, Range<u32>)> {
        address_in(bytes, self.map.as_ref().ok()?)
    }
}

/// Returns the MAC address in the network NVM of a whole content: that of the bank in force. `lent` is the region map of a content
/// without a flash descriptor. None when there is no such region, or no bank in force.
///
/// # Example
///
/// ```
/// use image::compose::network_address;
/// use image::scenario::{LARKSPUR_MAC, larkspur_main};
///
/// assert_eq!(network_address(&larkspur_main(1, LARKSPUR_MAC), &[]), Some(LARKSPUR_MAC));
/// ```
pub fn network_address(content: &[u8], lent: &[NamedRange]) -> Option<Mac> {
    address_in(content, &map_of(content, lent).0.ok()?).map(|(mac, _)| mac)
}

fn address_in(bytes: &[u8], map: &[NamedRange]) -> Option<(Mac, Range<u32>)> {
    let range = map.iter().find(|region| region.name == NETWORK)?.range.clone();
    let nvm = Nvm::parse(bytes.get(indices(&range))?).ok()?;
    Some((nvm.mac()?, range))
}

/// Returns the region map of a content, and whether it is the lent one.
fn map_of(bytes: &[u8], lent: &[NamedRange]) -> (Result<Vec<NamedRange>, DescriptorError>, bool) {
    let own = own_map(bytes);
    // A descriptor that contradicts itself is no reason to trust another map.
    let none = matches!(own, Err(DescriptorError::NoSignature { .. } | DescriptorError::TooShort { .. }));
    match none && !lent.is_empty() {
        true => (Ok(lent.to_vec()), true),
        false => (own, false),
    }
}

fn no_structure(error: SelectError, source: &SourceRef, place: &TextPlace) -> ComposeError {
    ComposeError::NoStructure { place: place.clone(), content: Box::new(source.clone()), source: Box::new(error) }
}

/// Returns the region map out of a content's own descriptor.
pub(super) fn own_map(bytes: &[u8]) -> Result<Vec<NamedRange>, DescriptorError> {
    let named = |region: crate::descriptor::Region| NamedRange { name: region.name, range: region.range };
    Ok(regions(bytes)?.into_iter().map(named).collect())
}
