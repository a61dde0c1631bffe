//! The links that may be used: those of this computer and the virtual benches that the person named. A page sends a number, never a
//! name, and a number means the same link for as long as the desk is open, whatever is plugged in meanwhile.

use std::path::Path;
use std::sync::{Mutex, PoisonError};

use maud::{Markup, html};

use crate::ask::Fields;
use crate::fault::Fault;
use crate::state::AppState;
use crate::words;

/// A link that a page may offer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Offered {
    /// Its number.
    pub number: usize,
    /// What the engine calls it.
    pub link: String,
    /// What was found.
    pub what: String,
    /// What to do, where it cannot be used yet.
    pub remedy: Option<String>,
    /// Whether it cannot be unplugged, so that a signed hold on its supply wire stands in (S13).
    pub stays: bool,
    /// Whether somebody has to say what it drives: it has no way to know (S4).
    pub drives_unknown: bool,
    /// Whether it is a virtual bench.
    pub is_virtual: bool,
}

/// Everything that was offered so far, by number.
#[derive(Debug, Default)]
pub(crate) struct Offers(Mutex<Vec<String>>);

impl Offers {
    pub fn number(&self, link: &str) -> usize {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.iter().position(|other| other == link).unwrap_or_else(|| {
            known.push(link.to_owned());
            known.len() - 1
        })
    }

    pub fn named(&self, number: usize) -> Option<String> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(number).cloned()
    }
}

/// Looks for every link; opens none.
pub(crate) fn offered(state: &AppState) -> Vec<Offered> {
    let virtual_ones = state.settings().links.iter().map(|path| {
        let link = path.display().to_string();
        Offered {
            number: state.links().number(&link),
            what: words::VIRTUAL_BENCH.to_owned(),
            remedy: None,
            stays: false,
            drives_unknown: false,
            is_virtual: true,
            link,
        }
    });
    let real = job::links::list().links.into_iter().map(|found| Offered {
        number: state.links().number(&found.link),
        what: found.what,
        remedy: found.remedy,
        stays: found.kind != "board",
        drives_unknown: found.kind == "spidev",
        is_virtual: false,
        link: found.link,
    });
    virtual_ones.chain(real).collect()
}

/// The link that a form names by its number.
///
/// # Errors
/// [`Fault::Sent`] for a number that was never offered.
pub(crate) fn chosen(state: &AppState, fields: &Fields) -> Result<Option<String>, Fault> {
    let number: Option<usize> = fields.number("link")?;
    let named = |number| state.links().named(number).ok_or_else(|| Fault::Sent(words::NO_SUCH_LINK.to_owned()));
    number.map(named).transpose()
}

/// The choice of a link. Where a contact goes on (`fresh`) the virtual bench that is called like the chip stands first; afterwards the
/// link that was last seen for it.
pub(crate) fn choice(offered: &[Offered], last: Option<&str>, chip: &str, fresh: bool) -> Markup {
    let usable = || offered.iter().filter(|link| link.remedy.is_none());
    let called =
        usable().find(|link| link.is_virtual && Path::new(&link.link).file_stem().is_some_and(|stem| stem == chip));
    let used = usable().find(|link| Some(link.link.as_str()) == last);
    let first = if fresh { called.or(used) } else { used.or(called) };
    html! {
        label.field {
            span { (words::LINK) }
            @if usable().next().is_none() {
                small { (words::NO_LINK) }
            } @else {
                select name="link" required {
                    @for link in usable() {
                        option value=(link.number) selected[first.is_some_and(|first| first.number == link.number)] {
                            (link.link) " – " (link.what)
                        }
                    }
                }
            }
        }
        @let broken: Vec<_> = offered.iter().filter(|link| link.remedy.is_some()).collect();
        @if !broken.is_empty() {
            details {
                summary { (words::LINKS_NOT_YET) }
                ul { @for link in broken { li { (link.link) ": " (link.remedy.as_deref().unwrap_or_default()) } } }
            }
        }
    }
}
