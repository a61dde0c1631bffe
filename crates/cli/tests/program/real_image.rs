//! A real firmware image goes onto a chip and back, bit for bit.
//!
//! The image is that of the Debian package `ovmf` 2022.11-6+deb12u2: variables and code, joined as they lie in a 4 MiB
//! chip. Without the package there is nothing to test.

use std::fmt::Write;

use sha2::{Digest, Sha256};

use crate::common::{Bench, MIB, noise};

/// File and SHA-256, by the package named above; a later package has other sums, and the test goes on with it.
const FILES: [(&str, &str); 2] = [
    ("/usr/share/OVMF/OVMF_VARS_4M.fd", "5d2ac383371b408398accee7ec27c8c09ea5b74a0de0ceea6513388b15be5d1e"),
    ("/usr/share/OVMF/OVMF_CODE_4M.fd", "b157d97b1f69729514feb7f201d2cbe4957f23ab77920e361fe9f822ba49ca4c"),
];

fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().fold(String::new(), |mut text, byte| {
        write!(text, "{byte:02x}").expect("a String takes everything");
        text
    })
}

fn real_image() -> Option<Vec<u8>> {
    let mut image = Vec::new();
    for (path, expected) in FILES {
        let Ok(bytes) = std::fs::read(path) else {
            eprintln!("skipped: {path} is not here; it comes with the Debian package `ovmf`");
            return None;
        };
        let found = sha256(&bytes);
        if found != expected {
            eprintln!("{path} is of another package version: SHA-256 {found}");
        }
        image.extend(bytes);
    }
    Some(image)
}

#[test]
fn a_real_image_goes_onto_a_chip_and_the_old_content_comes_back() {
    let Some(image) = real_image() else { return };
    let old = noise(1, 4 * MIB);
    assert_eq!(image.len(), old.len(), "the two files fill a 4 MiB chip");
    let bench = Bench::new();
    bench.toml("chip.toml", "[chip]\nmarking = \"W25Q32JV\"\ncontent = \"chip.bin\"\n");
    bench.write("chip.bin", &old);
    bench.write("real.fd", &image);
    bench.run("chip apply real.fd --link chip.toml").expect(0);
    assert_eq!(bench.read("chip.bin"), image);
    bench.run("vault export real.fd out.fd").expect(0);
    assert_eq!(bench.read("out.fd"), image);
    let shown = bench.json("vault show real.fd");
    assert_eq!(shown["manifests"][0]["sha256"], sha256(&image));
    let capture = bench.json("chip capture --link chip.toml");
    assert_eq!(capture["sha256"], sha256(&image), "what is read is what was written");

    bench.run(&format!("chip restore {} --link chip.toml", vault::Digest::blake3(&old))).expect(0);
    assert_eq!(bench.read("chip.bin"), old);
}
