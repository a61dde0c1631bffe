//! Recipes: how an image is composed, as a person writes it down in TOML.
//!
//! A recipe names a base, what of the present capture is kept, the parts that are placed, the address, what is filled, and
//! what has to hold on the result; `docs/recipes.md` describes every key for whoever writes one. [`Recipe::parse`] checks a
//! recipe by itself, and [`Recipe::sources`] says which contents it takes; fetching these is left to the caller, and putting
//! them together to [`compose`](crate::compose::compose()).
//!
//! A recipe is hostile input (S10): its length, the number of its tables and every number in it have limits.
//!
//! The decision a reader would question: everything but the present capture and the donor is pinned by a hash, captures out of the
//! vault too.
//! A name can come to mean another content; the recipe would then silently make another image.

use std::fmt;
use std::ops::Range;

use crate::chain::Chain;
use crate::descriptor::{Layout, Master};
use crate::explain::Guid;
use crate::mac::Mac;
use crate::pin::Pin;
use crate::select::Form;

mod error;
mod read;
mod table;

pub use error::{Mistake, RecipeError, TextPlace};

/// Longest text of a recipe: 256 KiB.
pub const MOST_BYTES: usize = 256 << 10;
/// Most tables of one kind, such as `[[keep]]`.
pub const MOST_TABLES: usize = 64;
/// The region that holds the network NVM where a recipe does not say otherwise.
pub const NETWORK: &str = "network";

/// A recipe, checked by itself; whether its places fit its contents is found when it is composed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recipe {
    pub(crate) name: String,
    pub(crate) base: Base,
    pub(crate) fills: Vec<Fill>,
    pub(crate) keeps: Vec<Keep>,
    pub(crate) variables: Vec<KeptVariable>,
    pub(crate) parts: Vec<Part>,
    pub(crate) address: Option<AddressRule>,
    pub(crate) access: Option<AccessRule>,
    pub(crate) requires: Vec<Require>,
}

/// A content that a recipe takes. All but the present capture and the donor are pinned: the recipe says which bytes they must be.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SourceRef {
    /// The present capture of the chip, or of the span of chips, that the image is for.
    Present,
    /// The donor: the capture of another machine of the same model that a rescue names at its intake.
    Donor,
    /// An image of this hash, out of the vault.
    Image(Pin),
    /// A capture out of the vault.
    Capture {
        /// Its id or its name there.
        asked: String,
        /// What it must be; of a whole id, the id.
        pin: Pin,
    },
    /// A file.
    File {
        /// Its path, relative to the folder of the recipe.
        path: String,
        /// What it must be.
        pin: Pin,
    },
    /// A part of a vendor's file, which is followed through its containers by the caller.
    Part {
        /// The vendor's file.
        from: Pin,
        /// Where in it the part sits.
        take: Box<Chain>,
        /// Whether a structure's content is taken, or its bytes as stored.
        form: Form,
        /// What the part must be.
        pin: Pin,
    },
}

impl Recipe {
    /// Returns the recipe that `text` says; `name` is its file, for messages.
    ///
    /// # Errors
    ///
    /// [`RecipeError`] with line, key and remedy for the first mistake: text that is no TOML, unknown or missing keys, keys that
    /// exclude each other, values of a wrong type or out of range, sources without a hash, addresses that no machine can have.
    ///
    /// # Example
    ///
    /// ```
    /// use image::recipe::{Recipe, SourceRef};
    ///
    /// let text = format!("[base]\nimage = \"sha256:{}\"\n[[keep]]\nregion = \"network\"\n", "0".repeat(64));
    /// let recipe = Recipe::parse(&text, "larkspur.toml")?;
    /// assert_eq!(recipe.sources()[1], SourceRef::Present);
    ///
    /// let error = Recipe::parse(&text.replace("region", "regoin"), "larkspur.toml").unwrap_err();
    /// assert_eq!(error.to_string(), "larkspur.toml, line 4, [[keep]] regoin: this key is not known");
    /// # Ok::<(), image::recipe::RecipeError>(())
    /// ```
    pub fn parse(text: &str, name: &str) -> Result<Self, RecipeError> {
        read::recipe(text, name)
    }

    /// Returns the name that the recipe was parsed under.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Returns the contents that have to be there to compose: the base first, then in the order of first use, each once.
    pub fn sources(&self) -> Vec<SourceRef> {
        let mut sources: Vec<SourceRef> = Vec::new();
        for (source, _) in self.uses() {
            if !sources.contains(source) {
                sources.push(source.clone());
            }
        }
        sources
    }

    /// Returns whether the recipe puts in a drawn address, which the caller has to draw once and give each time.
    pub fn draws_address(&self) -> bool {
        self.address.as_ref().is_some_and(|address| address.rule == MacRule::Drawn)
    }

    /// Returns whether the recipe puts in an address that the caller has to say, because the recipe itself does not.
    pub fn asks_address(&self) -> bool {
        self.address.as_ref().is_some_and(|address| address.rule == MacRule::Given(None))
    }

    /// Returns every use of a content, with where the recipe says so; the base comes first.
    pub(crate) fn uses(&self) -> impl Iterator<Item = (&SourceRef, &TextPlace)> {
        let base = std::iter::once((&self.base.source, &self.base.place));
        let keeps = self.keeps.iter().map(|keep| (&SourceRef::Present, &keep.place));
        let variables = self.variables.iter().map(|kept| (&SourceRef::Present, &kept.place));
        let parts = self.parts.iter().map(|part| (&part.source, &part.place));
        let carried = self.address.iter().filter(|address| address.rule == MacRule::Carried);
        let requires = self.requires.iter().filter(|require| require.condition.takes_present());
        base.chain(keeps)
            .chain(variables)
            .chain(parts)
            .chain(carried.map(|address| (&SourceRef::Present, &address.place)))
            .chain(requires.map(|require| (&SourceRef::Present, &require.place)))
    }
}

impl SourceRef {
    /// Returns the hash that the content must have; none for the present capture and the donor, which are each
    /// machine's own.
    pub fn pin(&self) -> Option<Pin> {
        match self {
            Self::Present | Self::Donor => None,
            Self::Image(pin) | Self::Capture { pin, .. } | Self::File { pin, .. } | Self::Part { pin, .. } => {
                Some(*pin)
            }
        }
    }
}

impl fmt::Display for SourceRef {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Present => write!(f, "the present capture"),
            Self::Donor => write!(f, "the donor"),
            Self::Image(pin) => write!(f, "image {pin}"),
            Self::Capture { asked, .. } => write!(f, "capture `{asked}`"),
            Self::File { path, .. } => write!(f, "file `{path}`"),
            Self::Part { from, take, .. } => write!(f, "`{take}` of {from}"),
        }
    }
}

/// `[base]`: what everything else is put into.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Base {
    pub(crate) place: TextPlace,
    pub(crate) source: SourceRef,
}

/// `[[fill]]`: one byte value all over a range.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Fill {
    pub(crate) place: TextPlace,
    pub(crate) byte: u8,
    pub(crate) to: Selector,
}

/// `[[keep]]`: carried over from the present capture, to the range of the same name or place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Keep {
    pub(crate) place: TextPlace,
    pub(crate) what: Selector,
}

/// `[[keep]]` with `variable`: a variable of the present capture, written into the base's variable store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct KeptVariable {
    pub(crate) place: TextPlace,
    pub(crate) name: Box<str>,
    /// None: the only vendor that has a variable of this name.
    pub(crate) vendor: Option<Guid>,
    /// Whether a machine without it gets the image, too.
    pub(crate) optional: bool,
}

/// `[[place]]`: a part of another content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    pub(crate) place: TextPlace,
    pub(crate) source: SourceRef,
    /// None: the whole content.
    pub(crate) from: Option<Selector>,
    /// Whether the structure's content is taken, unpacked, and not its bytes as stored.
    pub(crate) decoded: bool,
    pub(crate) to: Target,
}

/// `[mac]`: which address goes into the network NVM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct AddressRule {
    pub(crate) place: TextPlace,
    pub(crate) region: String,
    pub(crate) rule: MacRule,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MacRule {
    Carried,
    /// None: whoever composes says it.
    Given(Option<Mac>),
    Drawn,
}

/// `[access]`: who may read and write which region, in the descriptor of the result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct AccessRule {
    pub(crate) place: TextPlace,
    /// What a person says of the descriptor; none: it shows.
    pub(crate) layout: Option<Layout>,
    pub(crate) grants: Vec<Grant>,
}

/// What one master may do from now on; a field that is not named stays as it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Grant {
    pub(crate) place: TextPlace,
    pub(crate) master: Master,
    pub(crate) read: Option<Regions>,
    pub(crate) write: Option<Regions>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Regions {
    /// Every region that the layout has a bit for.
    All,
    /// Bit n is the region of register n.
    These(u16),
}

/// `[[require]]`: what has to hold on the result.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Require {
    pub(crate) place: TextPlace,
    pub(crate) condition: Condition,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Condition {
    Size(u32),
    Is { what: Selector, state: State },
    Bytes { at: u32, bytes: Vec<u8> },
    Hash { what: Option<Selector>, pin: Pin },
    SumHolds { region: String },
    Mac { region: String, kind: MacKind },
}

impl Condition {
    pub(crate) fn takes_present(&self) -> bool {
        matches!(self, Self::Is { state: State::AsPresent, .. } | Self::Mac { kind: MacKind::AsPresent, .. })
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum State {
    Blank,
    NotBlank,
    AsPresent,
    AsBase,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum MacKind {
    Local,
    Universal,
    AsPresent,
}

/// A stretch of a content.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Selector {
    Region(String),
    Range(Range<u32>),
    /// A structure, wherever it stands in that content.
    Structure(Box<crate::select::Selector>),
}

/// Where a part goes; how long it is comes from the part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Target {
    Region(String),
    At(u32),
    /// Where a structure of the base stands; the part has its size.
    Structure(Box<crate::select::Selector>),
}

#[cfg(test)]
mod tests;
