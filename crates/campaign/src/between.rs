//! What happens to the bench folder between two commands: damage to stored objects and to journals, and its end.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use crate::draw::Draw;
use crate::stage::files_below;

/// A file that was damaged, and what it was before.
#[derive(Debug)]
pub struct Damaged {
    path: PathBuf,
    before: Vec<u8>,
    repairable: bool,
}

impl Damaged {
    /// Gives the file back as it was.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn mend(self) -> io::Result<()> {
        fs::write(self.path, self.before)
    }

    /// Tells whether the vault promises to bring it back by itself: everything but packs stands twice, and a pack has
    /// parity for a damaged place, but not for its end or all of it.
    #[must_use]
    pub fn is_repairable(&self) -> bool {
        self.repairable
    }

    /// Returns the file's name, for the story.
    #[must_use]
    pub fn name(&self) -> String {
        self.path.display().to_string()
    }
}

/// Damages one stored object: a flipped bit, a cut end, zeros, or gone. None when nothing is stored.
///
/// # Errors
/// Whatever the file system says.
pub fn damage_object(bench: &Path, draw: &mut Draw) -> io::Result<Option<Damaged>> {
    damage(files_below(&bench.join("objects"))?, draw, 4)
}

/// Damages one copy of one journal: a flipped bit or a cut end. None when there is none.
///
/// # Errors
/// Whatever the file system says.
pub fn damage_journal(bench: &Path, draw: &mut Draw) -> io::Result<Option<Damaged>> {
    let mut files = files_below(&bench.join("journals"))?;
    files.extend(files_below(&bench.join("twin").join("journals"))?);
    damage(files, draw, 2)
}

fn damage(files: Vec<PathBuf>, draw: &mut Draw, ways: u64) -> io::Result<Option<Damaged>> {
    if files.is_empty() {
        return Ok(None);
    }
    let path = files[draw.index(files.len())].clone();
    let before = fs::read(&path)?;
    let mut bytes = before.clone();
    let at = draw.index(bytes.len());
    let way = draw.below(ways);
    let repairable = way % 2 == 0 || path.extension().is_none_or(|extension| extension != "pack");
    match way {
        0 => bytes[at] ^= 1 << draw.below(8),
        1 => bytes.truncate(at),
        2 => {
            let end = (at + 512).min(bytes.len());
            bytes[at..end].fill(0);
        }
        _ => {
            fs::remove_file(&path)?;
            return Ok(Some(Damaged { path, before, repairable }));
        }
    }
    fs::write(&path, bytes)?;
    Ok(Some(Damaged { path, before, repairable }))
}
