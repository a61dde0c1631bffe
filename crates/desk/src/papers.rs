//! The files that may be taken in and what may vouch for them: those of the folders that the person named. As with links, a page sends
//! numbers and never a name.

use std::path::{Path, PathBuf};

use job::doing::Papers;
use maud::{Markup, html};

use crate::ask::Fields;
use crate::fault::Fault;
use crate::state::AppState;
use crate::words;

/// A file that a page may offer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Paper {
    number: usize,
    name: String,
}

/// Lists them.
///
/// # Errors
/// A folder that cannot be listed.
pub(crate) fn offered(state: &AppState) -> Result<Vec<Paper>, Fault> {
    let paper = |path: PathBuf| Paper {
        number: state.papers().number(&path.display().to_string()),
        name: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
    };
    Ok(job::in_folders(&state.settings().files)?.into_iter().map(paper).collect())
}

/// The files that a form names by their numbers.
///
/// # Errors
/// [`Fault::Sent`] for a number that was never offered.
pub(crate) fn chosen(state: &AppState, fields: &Fields) -> Result<Papers, Fault> {
    let named = |name: &str| -> Result<Option<PathBuf>, Fault> {
        let number: Option<usize> = fields.number(name)?;
        let found = |number| state.papers().named(number).ok_or_else(|| Fault::Sent(words::NO_SUCH_FILE.to_owned()));
        Ok(number.map(found).transpose()?.map(PathBuf::from))
    };
    Ok(Papers { file: named("file")?, list: named("list")?, signature: named("signature")?, key: named("key")? })
}

/// The choice: the file by its usual name, and what lies beside it under the names that publishers give (common practice, no source).
pub(crate) fn choice(offered: &[Paper], file: &str, signed: bool) -> Markup {
    let find = |fits: &dyn Fn(&str) -> bool| offered.iter().find(|paper| fits(&paper.name)).map(|paper| paper.number);
    let ends = |name: &str, ends: &[&str]| {
        Path::new(name).extension().is_some_and(|end| ends.iter().any(|known| end.eq_ignore_ascii_case(known)))
    };
    let list = |name: &str| name.to_lowercase().contains("sums") && !ends(name, &SIGNATURES);
    let select = |name: &str, label: &str, first: Option<usize>, must: bool| {
        html! {
            label.field {
                span { (label) }
                select name=(name) required[must] {
                    @if !must { option value="" { (words::NO_PAPER) } }
                    @for paper in offered {
                        option value=(paper.number) selected[first == Some(paper.number)] { (paper.name) }
                    }
                }
            }
        }
    };
    html! {
        (select("file", words::FILE, find(&|name| name == file), true))
        @if signed {
            (select("list", words::FILE_LIST, find(&list), false))
            (select("signature", words::FILE_SIGNATURE, find(&|name| ends(name, &SIGNATURES)), false))
            (select("key", words::FILE_KEY, find(&|name| ends(name, &["pub", "gpg"])), false))
        }
    }
}

/// How the names of detached signatures end.
const SIGNATURES: [&str; 3] = ["minisig", "sig", "asc"];
