//! What the builder makes, the reader reads: round trips, and seeded damage of every kind of image.

#![allow(clippy::disallowed_methods, reason = "FIRMHAND_SEED repeats one case")]

use image::build::volume::{File, Volume};
use image::build::{corpus, guid, section};
use image::explain::{Explanation, Kind, Node, Severity, explain};

use rand_xoshiro::Xoshiro256PlusPlus;
use rand_xoshiro::rand_core::{Rng, SeedableRng};
use sha2::{Digest, Sha256};

/// Runs `test` with `count` seeds, or with the one in FIRMHAND_SEED; a failure prints the command that repeats it.
fn each_seed(name: &str, count: u64, test: impl Fn(&mut Xoshiro256PlusPlus)) {
    let one = std::env::var("FIRMHAND_SEED").ok().map(|seed| seed.parse().expect("FIRMHAND_SEED is a number"));
    for seed in one.map_or(0..count, |seed: u64| seed..seed + 1) {
        let again = Again(name, seed);
        test(&mut Xoshiro256PlusPlus::seed_from_u64(seed));
        drop(again);
    }
}

struct Again<'a>(&'a str, u64);

impl Drop for Again<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("again: FIRMHAND_SEED={} cargo test -p image --test built {}", self.1, self.0);
        }
    }
}

fn below(draw: &mut Xoshiro256PlusPlus, end: u64) -> usize {
    (draw.next_u64() % end) as usize
}

fn bytes(draw: &mut Xoshiro256PlusPlus, len: usize) -> Vec<u8> {
    // Half of it repeats, so that packing is worth something.
    (0..len).map(|at| if at % 7 < 3 { draw.next_u64() as u8 } else { 0x4B }).collect()
}

/// A file that was drawn: its name, title and body.
struct Drawn {
    name: [u8; 16],
    title: String,
    body: Vec<u8>,
    file: File,
}

fn file(draw: &mut Xoshiro256PlusPlus, number: u8) -> Drawn {
    let mut name = [number; 16];
    name[..8].copy_from_slice(&draw.next_u64().to_le_bytes());
    let title = format!("Module{}", draw.next_u64() % 10_000);
    let len = 1 + below(draw, 1500);
    let code = bytes(draw, len);
    let inner = section::stream(&[section::pe32(&code), section::user_interface(&title), section::version(3, "1.2")]);
    let sections = match below(draw, 8) {
        0 => section::lzma(&inner),
        1 => section::lzma_x86(&inner),
        2 => section::tiano(&inner),
        3 => section::brotli(&inner),
        4 => section::standard(&inner),
        5 => section::crc32(&inner),
        6 => section::uncompressed(&inner),
        _ => inner,
    };
    let made = File::new(0x07, name).body(&sections).aligned([1, 16, 128, 512][below(draw, 4)]);
    let made = if below(draw, 2) == 0 { made.summed() } else { made };
    Drawn { name, title, body: sections, file: made }
}

#[test]
fn what_is_built_reads_as_it_was_built() {
    each_seed("what_is_built_reads_as_it_was_built", 150, |draw| {
        let drawn: Vec<Drawn> = (0..1 + below(draw, 12)).map(|number| file(draw, number as u8)).collect();
        let mut volume = if below(draw, 2) == 0 { Volume::ffs2(0x1_0000) } else { Volume::ffs3(0x1_0000) };
        if below(draw, 2) == 0 {
            volume = volume.erased_to_zero();
        }
        let named = below(draw, 2) == 0;
        if named {
            volume = volume.named([0x66; 16]);
        }
        for it in &drawn {
            volume = volume.file(it.file.clone());
        }
        let mut image = volume.build().expect("twelve small files fit");
        if below(draw, 2) == 0 {
            let nested = Volume::ffs2(0x2_0000).file(
                File::new(0x0B, [0x99; 16])
                    .sections(&[section::lzma(&section::section(section::VOLUME_IMAGE, &image))]),
            );
            image = nested.build().expect("a packed volume fits");
        }
        let explanation = explain(&image);
        assert_eq!(explanation.findings, [], "{} files", drawn.len());
        let files: Vec<&Node> = all(&explanation, Kind::PiFile);
        for it in &drawn {
            let found =
                files.iter().find(|file| file.guid.is_some_and(|guid| guid.0 == it.name)).expect("each file is there");
            assert_eq!(found.name.as_deref(), Some(it.title.as_str()));
            assert_eq!(found.content_sha256, <[u8; 32]>::from(Sha256::digest(&it.body)));
        }
        let name = named.then_some("66666666-6666-6666-6666-666666666666");
        assert!(all(&explanation, Kind::PiVolume).iter().any(|volume| volume.name.as_deref() == name));
    });
}

/// One flipped bit under a sum is found, wherever it is, and a flipped bit anywhere breaks nothing.
#[test]
fn s10_seeded_damage_of_every_kind_of_image() {
    let images = corpus(7);
    each_seed("s10_seeded_damage_of_every_kind_of_image", 40, |draw| {
        for (name, image) in images.iter().filter(|(name, image)| name != "whole-chip" && !image.is_empty()) {
            let good = explain(image);
            let mut damaged = image.clone();
            let at = below(draw, image.len() as u64);
            damaged[at] ^= 1 << below(draw, 8);
            let found = explain(&damaged);
            let covered = good.nodes().filter(|(_, node)| node.space.is_none()).any(|(_, node)| {
                let sums = ["header-sum", "sum", "data-sum", "crc-32", "head-crc-32", "table-sum", "component-sum"];
                let holds = |check: &&image::explain::Check| check.ok == Some(true) && sums.contains(&check.name);
                node.checks.iter().filter(holds).any(|check| (check.at..check.at + check.len).contains(&(at as u64)))
            });
            let state = good.nodes().any(|(_, node)| {
                // State and data sum of a file lie in its header, and its sum leaves them out.
                node.kind == Kind::PiFile
                    && node.space.is_none()
                    && [0x11, 0x17].contains(&(at as u64).wrapping_sub(node.at))
            });
            if covered && !state {
                let told = found.findings.iter().any(|finding| finding.severity == Severity::Bad);
                let gone = found.nodes().count() != good.nodes().count();
                assert!(told || gone, "{name}: bit flipped at {at:#x}");
            }
            for cut in [at, image.len() - at] {
                explain(&damaged[..cut]);
            }
        }
    });
}

/// The packing methods have names of their own in the tree.
#[test]
fn each_method_unpacks_to_the_same_content() {
    let inner = section::stream(&[section::user_interface("Same"), section::section(section::RAW, &[7; 3000])]);
    let methods = [
        ("lzma", section::lzma(&inner), Some(guid::LZMA)),
        ("lzma with filter", section::lzma_x86(&inner), Some(guid::LZMA_X86)),
        ("five position bits", section::tiano(&inner), Some(guid::TIANO)),
        ("brotli", section::brotli(&inner), Some(guid::BROTLI)),
        ("standard", section::standard(&inner), None),
    ];
    for (method, packed, guid) in methods {
        let volume = Volume::ffs2(0x4000).file(File::new(0x07, [1; 16]).sections(&[packed])).build().unwrap();
        let explanation = explain(&volume);
        assert_eq!(explanation.findings, [], "{method}");
        let section = all(&explanation, Kind::PiSection)[0];
        assert_eq!(section.guid.map(|guid| guid.0), guid, "{method}");
        assert_eq!(section.content_sha256, <[u8; 32]>::from(Sha256::digest(&inner)), "{method}");
        assert_eq!(explanation.proof.decoded, section.size - section.lead, "{method}");
    }
}

fn all(explanation: &Explanation, kind: Kind) -> Vec<&Node> {
    explanation.nodes().map(|(_, node)| node).filter(|node| node.kind == kind).collect()
}
