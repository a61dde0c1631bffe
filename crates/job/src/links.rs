//! `link list`: every link that this computer has, and what to do about those that cannot be used yet.

use link::boot;
use link::find::{Kind, NO_BOARD, NO_BUS, Root, survey};
use serde::Serialize;

use crate::text::wrapped;

/// What `link list` ends with.
#[derive(Debug, Clone, Serialize)]
pub struct LinkList {
    /// Links, and what could become one.
    pub links: Vec<LinkReport>,
    /// SPI controllers that are switched on, as the kernel names them.
    pub buses: Vec<String>,
    /// Most bytes that the kernel's spidev takes at once; left out when the module is not loaded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spidev_bytes: Option<u32>,
    /// What to do when there is no link at all, or none of a kind.
    pub advice: Vec<String>,
}

/// One link.
#[derive(Debug, Clone, Serialize)]
pub struct LinkReport {
    /// What `--link` takes.
    pub link: String,
    /// `board`, `spidev` or `mtd`.
    pub kind: &'static str,
    /// Whether it can be used as it is.
    pub usable: bool,
    /// What was found.
    pub what: String,
    /// What to do, where it cannot be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub remedy: Option<String>,
}

/// Looks for every link of this computer. Opens none.
#[must_use]
pub fn list() -> LinkList {
    list_at(&Root::system())
}

fn list_at(root: &Root) -> LinkList {
    let survey = survey(root);
    let links: Vec<LinkReport> = survey
        .found
        .into_iter()
        .map(|found| LinkReport {
            link: found.link.display().to_string(),
            kind: match found.kind {
                Kind::Spidev => "spidev",
                Kind::Mtd => "mtd",
                Kind::Board => "board",
            },
            usable: found.usable,
            what: found.what,
            remedy: found.remedy,
        })
        .collect();
    let none = |kind| !links.iter().any(|link| link.kind == kind);
    let mut advice = Vec::new();
    let drives = boot::drives(root).into_iter().map(|drive| drive.folder);
    if let Some(place) = drives.chain(boot::unmounted(root)).next() {
        advice.push(format!(
            "Board: one in its boot mode is at {}: `firmhand link install` makes it a programmer",
            place.display()
        ));
    } else if none("board") {
        advice.push(format!("Board: {NO_BOARD}"));
    }
    if none("spidev") {
        advice.push(match survey.buses.as_slice() {
            [] => format!("SPI: {NO_BUS}"),
            buses => format!(
                "SPI: {} without any device: add an overlay of the device tree that puts a spidev device there",
                buses.join(", ")
            ),
        });
    }
    if none("mtd") {
        advice.push("MTD: the kernel drives no flash here; nothing is wrong with that".into());
    }
    advice.push("a virtual bench is always there: a chip described by a FILE.toml".into());
    LinkList { links, buses: survey.buses, spidev_bytes: survey.bufsiz, advice }
}

impl LinkList {
    /// The list for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::new();
        for link in &self.links {
            let word = if link.usable { "usable" } else { "not yet" };
            text += &wrapped(&format!("{:<15} {word:<7} {}", link.link, link.what), 24, 80);
            text.push('\n');
            if let Some(remedy) = &link.remedy {
                text += &wrapped(&format!("{:24}{remedy}", ""), 24, 80);
                text.push('\n');
            }
        }
        if let Some(bytes) = self.spidev_bytes {
            text += &format!("spidev takes {bytes} bytes at once\n");
        }
        for advice in &self.advice {
            text += &wrapped(advice, 2, 80);
            text.push('\n');
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;
    use std::path::Path;

    fn file(folder: &Path, path: &str, text: &str) {
        let path = folder.join(path);
        fs::create_dir_all(path.parent().expect("a folder")).expect("folders");
        fs::write(path, text).expect("a file");
    }

    #[test]
    fn each_kind_that_is_missing_comes_with_advice() {
        let folder = tempfile::tempdir().expect("a folder");
        let list = list_at(&Root::at(folder.path()));
        assert!(list.links.is_empty());
        assert_eq!(list.advice.len(), 4, "{:?}", list.advice);
        assert!(list.text().contains("no SPI controller is switched on"), "{}", list.text());
        file(folder.path(), "sys/class/spi_master/spi3/x", "");
        assert!(list_at(&Root::at(folder.path())).text().contains("spi3 without any device"));
    }

    #[test]
    fn what_cannot_be_used_says_why_and_what_to_do() {
        let folder = tempfile::tempdir().expect("a folder");
        file(folder.path(), "sys/bus/spi/devices/spi0.0/modalias", "spi:made-up\n");
        file(folder.path(), "sys/module/spidev/parameters/bufsiz", "4096\n");
        let list = list_at(&Root::at(folder.path()));
        let text = list.text();
        assert!(text.contains("/dev/spidev0.0  not yet") && text.contains("driver_override"), "{text}");
        assert!(text.contains("spidev takes 4096 bytes at once"), "{text}");
    }
}
