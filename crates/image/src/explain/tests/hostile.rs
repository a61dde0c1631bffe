//! S10: whatever an image holds, the answer comes, within its budgets.

use rand_xoshiro::rand_core::Rng;

use super::super::guid::{BROTLI, LZMA, TIANO};
use super::*;
use crate::testing::each_seed;

/// A small image with a bit of everything.
fn sampler() -> Vec<u8> {
    let inner = volume(4096, &[driver(5, "Deep")]);
    let packed = guided(LZMA, &[], 1, &lzma(&section(0x17, &inner)));
    let outer = volume(8192, &[driver(1, "One"), file(2, 0x0B, &packed), file(3, 0xF0, &[0xFF; 40])]);
    [microcode(0x906EA, 2000), outer, vec![0xFF; 1024]].concat()
}

#[test]
fn s10_an_image_cut_at_any_byte_is_read_to_its_end() {
    let image = sampler();
    for len in 0..image.len() {
        sound(&image[..len]);
    }
}

#[test]
fn s10_seeded_damage_never_breaks_the_reader() {
    let image = sampler();
    each_seed("s10_seeded_damage_never_breaks_the_reader", 300, |draw| {
        let mut image = image.clone();
        for _ in 0..1 + draw.next_u64() % 8 {
            let at = (draw.next_u64() % image.len() as u64) as usize;
            match draw.next_u64() % 4 {
                0 => image[at] ^= 1 << (draw.next_u64() % 8),
                1 => image[at] = draw.next_u64() as u8,
                2 => {
                    let end = image.len().min(at + 8);
                    image[at..end].fill(if draw.next_u64() % 2 == 0 { 0 } else { 0xFF });
                }
                _ => {
                    let from = (draw.next_u64() % image.len() as u64) as usize;
                    let len = (draw.next_u64() % 600) as usize;
                    let piece = image[from..image.len().min(from + len)].to_vec();
                    let end = image.len().min(at + piece.len());
                    image[at..end].copy_from_slice(&piece[..end - at]);
                }
            }
        }
        sound(&image);
    });
}

#[test]
fn s10_sizes_of_0_and_all_ones_end_the_walk() {
    let good = volume(8192, &[driver(1, "One"), driver(2, "Two")]);
    for size in [[0, 0, 0], [0xFF, 0xFF, 0xFF], [23, 0, 0]] {
        let mut image = good.clone();
        put(&mut image, 0x48 + 0x14, &size);
        let explanation = sound(&image);
        assert!(codes(&explanation).iter().any(|code| code.starts_with("file-")), "{size:?}");
        let mut image = good.clone();
        put(&mut image, 0x48 + 24, &size);
        let explanation = sound(&image);
        assert!(codes(&explanation).iter().any(|code| code.starts_with("section-")), "{size:?}");
    }
    for length in [0_u64, 0x48, u64::MAX, (4 << 30) + 8192] {
        let mut image = good.clone();
        put(&mut image, 0x20, &length.to_le_bytes());
        seal_volume(&mut image);
        sound(&image);
    }
    sound(&vec![1; 100_000]);
    sound(&[&1_u32.to_le_bytes()[..], &[0; 16], &1_u32.to_le_bytes(), &[0; 8]].concat().repeat(2000));
}

#[test]
fn s10_nests_stop_at_the_budget_of_levels() {
    let mut body = section(0x15, &text16("core"));
    for _ in 0..200 {
        body = section(0x03, &body);
    }
    let explanation = sound(&volume(8192, &[file(1, 0x07, &body)]));
    assert_eq!(codes(&explanation), ["budget-depth"]);
    let deepest = explanation.nodes().map(|(depth, _)| depth).max().unwrap();
    assert!(deepest < MAX_DEPTH && deepest > MAX_DEPTH - 4, "{deepest}");
}

#[test]
fn s10_volumes_in_packed_volumes_are_followed_as_deep_as_shipped_images_go() {
    let mut image = volume(8192, &[driver(1, "One")]);
    for _ in 0..3 {
        let packed = guided(LZMA, &[], 1, &lzma(&section(0x17, &image)));
        image = volume((packed.len() + 0x200).next_multiple_of(4096), &[file(1, 0x0B, &packed)]);
    }
    let explanation = sound(&image);
    assert!(codes(&explanation).is_empty(), "{:?}", explanation.findings);
    assert!(of_kind(&explanation, Kind::PiFile).iter().any(|file| file.name.as_deref() == Some("One")));
}

#[test]
fn s10_a_bomb_is_a_finding_and_stays_packed() {
    let bomb = lzma(&vec![0; 64 << 20]);
    let image = volume(
        (bomb.len() + 4096).next_multiple_of(4096),
        &[file(1, 0x07, &guided(LZMA, &[], 1, &bomb)), driver(2, "Two")],
    );
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), ["budget-output"]);
    assert!(
        of_kind(&explanation, Kind::PiFile).iter().any(|file| file.name.as_deref() == Some("Two")),
        "the rest is read"
    );
}

/// Many contents that each fit: together they would take minutes.
#[test]
fn s10_the_sum_of_all_contents_has_a_budget() {
    let bomb = guided(LZMA, &[], 1, &lzma(&vec![0; 12 << 20]));
    let body = stream(&vec![bomb; 64]);
    let image = volume((body.len() + 4096).next_multiple_of(4096), &[file(1, 0x07, &body)]);
    assert!(codes(&sound(&image)).contains(&"budget-output"));
}

#[test]
fn s10_nodes_have_a_budget_and_the_rest_stands_as_unknown() {
    let body = section(0x19, &[]).repeat(70_000);
    let image = volume((body.len() + 4096).next_multiple_of(4096), &[file(1, 0x07, &body), driver(2, "Two")]);
    let explanation = sound(&image);
    assert_eq!(codes(&explanation), ["budget-nodes"]);
    assert!(of_kind(&explanation, Kind::Unknown).len() >= 2);
    assert!(explanation.nodes().count() > MAX_NODES - 200);
}

#[test]
fn s10_what_looks_like_thousands_of_updates_is_not_summed_for_ever() {
    let mut image = vec![0; 4 << 20];
    for at in (0..image.len() - 48).step_by(64) {
        let rest = (image.len() - at) as u32 & !1023;
        for (offset, value) in [(0, 1), (0x14, 1), (0x1C, rest.saturating_sub(1024).max(4)), (0x20, rest)] {
            put(&mut image, at + offset, &value.to_le_bytes());
        }
    }
    assert!(codes(&sound(&image)).contains(&"budget-sums"));
}

#[test]
fn s10_damaged_packed_contents_are_named() {
    for (method, name) in [(LZMA, "lzma"), (BROTLI, "brotli"), (TIANO, "tiano")] {
        let image = volume(4096, &[file(1, 0x07, &guided(method, &[], 1, &[0x5A; 200])), driver(2, "Two")]);
        let explanation = sound(&image);
        let found = codes(&explanation);
        assert!(found == ["section-decodes"] || found == ["budget-output"], "{name}: {:?}", explanation.findings);
        assert_eq!(of_kind(&explanation, Kind::PiFile).len(), 2);
    }
}

/// The budget of findings: a thousand damaged files are not a thousand megabytes of text.
#[test]
fn s10_findings_have_a_budget() {
    let mut bad = driver(1, "x");
    bad[0x11] = 0;
    let files: Vec<_> = (0..3000).map(|_| bad.clone()).collect();
    let explanation = sound(&volume(4 << 20, &files));
    assert_eq!(explanation.findings.len(), MAX_FINDINGS);
    assert_eq!(explanation.findings.last().unwrap().code, "more-findings");
}
