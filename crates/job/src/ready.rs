//! What this computer can reach, and what to do about each gap.

use std::path::Path;

use serde::Serialize;

use crate::links::{LinkList, LinkReport};
use crate::session::open_bench;

/// How a point stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Standing {
    /// In order.
    Good,
    /// A gap that stops nothing else.
    Gap,
    /// Nothing works before this is mended.
    Stop,
}

/// One point.
#[derive(Debug, Clone, Serialize)]
pub struct Point {
    /// What was looked at.
    pub what: String,
    /// How it stands.
    pub standing: Standing,
    /// What was found.
    pub found: String,
    /// What to do, where there is a gap.
    pub remedy: Option<String>,
}

/// Looks at everything that a job on this computer would need. Changes nothing but that a missing bench folder is made.
#[must_use]
pub fn ready(bench: &Path) -> Vec<Point> {
    let found = crate::links::list();
    vec![
        bench_folder(bench),
        Point {
            what: "virtual bench".into(),
            standing: Standing::Good,
            found: "always there: a chip described by a FILE.toml".into(),
            remedy: None,
        },
        links(&found, "board", "programmers on USB"),
        links(&found, "spidev", "SPI buses of this computer"),
        links(&found, "mtd", "flash that the kernel drives"),
        rules(&RULES_FOLDERS.map(Path::new)),
    ]
}

fn bench_folder(bench: &Path) -> Point {
    let what = "bench folder".to_owned();
    match open_bench(bench) {
        Ok(vault) if vault.writable() => {
            Point { what, standing: Standing::Good, found: format!("{} can be written", bench.display()), remedy: None }
        }
        Ok(_) => Point {
            what,
            standing: Standing::Stop,
            found: format!("{} can only be read", bench.display()),
            remedy: Some("name another with `--bench DIR`, or make this one writable for you".into()),
        },
        Err(error) => Point {
            what,
            standing: Standing::Stop,
            found: error.to_string(),
            remedy: error.hint().or_else(|| Some("name another with `--bench DIR`".into())),
        },
    }
}

/// Where udev looks for rules, the system's own first (udev(7)).
const RULES_FOLDERS: [&str; 4] =
    ["/etc/udev/rules.d", "/run/udev/rules.d", "/usr/local/lib/udev/rules.d", "/usr/lib/udev/rules.d"];

/// The file that this repository ships.
const RULES: &str = "70-firmhand.rules";

/// The links of one kind: good when one of them can be used.
fn links(found: &LinkList, kind: &str, what: &str) -> Point {
    let of_kind: Vec<&LinkReport> = found.links.iter().filter(|link| link.kind == kind).collect();
    let usable = of_kind.iter().any(|link| link.usable);
    let said = of_kind.iter().map(|link| format!("{} ({})", link.link, link.what)).collect::<Vec<_>>().join("; ");
    let remedy = match of_kind.iter().find_map(|link| link.remedy.clone()) {
        _ if usable => None,
        Some(remedy) => Some(remedy),
        None => found.advice.iter().find(|advice| advice.to_lowercase().starts_with(&kind[..3])).cloned(),
    };
    Point {
        what: what.to_owned(),
        standing: if usable { Standing::Good } else { Standing::Gap },
        found: if said.is_empty() { format!("no {kind} device here") } else { said },
        remedy,
    }
}

/// The udev rules that let a person use header and programmers without root.
fn rules(folders: &[&Path]) -> Point {
    let installed = folders.iter().map(|folder| folder.join(RULES)).find(|path| path.exists());
    Point {
        what: "udev rules".into(),
        standing: if installed.is_some() { Standing::Good } else { Standing::Gap },
        found: installed.as_ref().map_or_else(
            || "not installed: only root may use devices".into(),
            |path| format!("installed as {}", path.display()),
        ),
        remedy: installed.is_none().then(|| {
            format!(
                "in the folder of firmhand's sources: `sudo cp share/udev/{RULES} /etc/udev/rules.d/`, then `sudo udevadm control \
                 --reload` and `sudo udevadm trigger`"
            )
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(usable: bool, remedy: Option<&str>) -> LinkList {
        LinkList {
            links: vec![LinkReport {
                link: "/dev/spidev0.0".into(),
                kind: "spidev",
                usable,
                what: "spidev on spi0.0".into(),
                remedy: remedy.map(str::to_owned),
            }],
            buses: vec!["spi0".into()],
            spidev_bytes: Some(4096),
            advice: vec!["MTD: none".into()],
        }
    }

    #[test]
    fn a_link_that_can_be_used_is_good_and_a_gap_has_its_remedy() {
        let point = links(&list(true, None), "spidev", "SPI");
        assert_eq!((point.standing, point.remedy), (Standing::Good, None));
        let point = links(&list(false, Some("join the group")), "spidev", "SPI");
        assert_eq!((point.standing, point.remedy.as_deref()), (Standing::Gap, Some("join the group")));
        let point = links(&list(true, None), "mtd", "flash");
        assert_eq!((point.standing, point.remedy.as_deref()), (Standing::Gap, Some("MTD: none")));
        assert_eq!(point.found, "no mtd device here");
    }

    #[test]
    fn the_rules_that_are_shipped_are_the_ones_looked_for() {
        let shipped = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../share/udev");
        assert_eq!(rules(&[&shipped]).standing, Standing::Good);
        let point = rules(&[Path::new("/no such folder")]);
        assert_eq!(point.standing, Standing::Gap);
        assert!(point.remedy.is_some_and(|remedy| remedy.contains("udevadm trigger")));
    }
}
