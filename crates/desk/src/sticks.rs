//! The drives that a boot stick may be made of: those of this computer and the virtual ones that the desk was opened with. As with links,
//! a page sends a number and never a name. The drive's size is not sent with it: the work asks for it, as on the command line (S11).

use std::path::PathBuf;

use job::drives::{DriveReport, Stick};
use job::text::about;
use maud::{Markup, html};

use crate::ask::Fields;
use crate::fault::Fault;
use crate::state::AppState;
use crate::words;

/// A drive that is plugged in.
#[derive(Debug, Clone)]
pub struct Plugged {
    number: usize,
    report: DriveReport,
}

impl Plugged {
    /// Whether it may be written, and so many bytes fit onto it.
    pub fn takes(&self, size: u64) -> bool {
        self.report.writable && self.report.size >= size
    }
}

/// Lists them. Opens none.
pub(crate) fn offered(state: &AppState) -> Vec<Plugged> {
    let virtual_ones = state.settings().sticks.iter().filter_map(|path| Stick::Virtual(path.clone()).report(false));
    let plugged =
        |report: DriveReport| Plugged { number: state.sticks().number(&report.drive.display().to_string()), report };
    virtual_ones.chain(job::drives::list(false).drives).map(plugged).collect()
}

/// The drive that a form names by its number.
///
/// # Errors
/// [`Fault::Sent`] for a number that was never offered.
pub(crate) fn chosen(state: &AppState, fields: &Fields) -> Result<Option<Stick>, Fault> {
    let Some(number) = fields.number("stick")? else { return Ok(None) };
    let node = state.sticks().named(number).ok_or_else(|| Fault::Sent(words::NO_SUCH_DRIVE.to_owned()))?;
    let node = PathBuf::from(node);
    Ok(Some(if state.settings().sticks.contains(&node) { Stick::Virtual(node) } else { Stick::Drive(node) }))
}

/// The choice of a drive. None is chosen beforehand unless there is only one; those that may not be written say why.
pub(crate) fn choice(offered: &[Plugged], size: u64) -> Markup {
    let (good, other): (Vec<_>, Vec<_>) = offered.iter().partition(|stick| stick.takes(size));
    html! {
        @if good.is_empty() { p.hint { (words::NO_STICK) } } @else {
            label.field {
                span { (words::STICK) }
                small { (words::STICK_TOLD) }
                select name="stick" required {
                    @if good.len() > 1 { option value="" { (words::CHOOSE) } }
                    @for stick in good { option value=(stick.number) { (stick.report.looks()) ", " (stick.report.drive.display()) } }
                }
            }
        }
        @if !other.is_empty() {
            details {
                summary { (words::DRIVES_NOT) }
                ul {
                    @for stick in other {
                        li {
                            (stick.report.looks()) ", " (stick.report.drive.display()) ": "
                            @if stick.report.refusals.is_empty() { (words::too_small(&about(size))) }
                            @else { (stick.report.refusals.join("; ")) }
                        }
                    }
                }
            }
        }
    }
}
