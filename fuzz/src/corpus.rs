//! Writes the seeds of every target to `corpus/TARGET`, from images that the builder makes.
//!
//! usage: `cargo run --bin corpus` in this folder

use std::error::Error;
use std::fs;
use std::path::Path;

use image::build::{corpus, encode};
use image::decode::PositionBits;

const SEED: u64 = 7;
/// Images over this size teach a decoder nothing that a smaller one does not.
const MOST: usize = 8 << 10;

fn main() -> Result<(), Box<dyn Error>> {
    let images = corpus(SEED);
    for (name, image) in &images {
        save("descriptor", name, image)?;
        save("explain", name, image)?;
        if image.len() <= MOST {
            save("lzma", name, &encode::lzma(image))?;
            save("lzma", &format!("{name}-end-mark"), &encode::lzma_with_end_mark(image))?;
            save("x86_filter", name, image)?;
            save("brotli", name, &encode::brotli_stored(image))?;
            save("uefi", name, &encode::packed(image, PositionBits::Uefi4))?;
            save("tiano", name, &encode::packed(image, PositionBits::Tiano5))?;
        }
    }
    // Compressed by the reference encoder: "firmhand " sixteen times, behind the prefix of 16 bytes.
    save(
        "brotli",
        "compressed",
        &[
            0x90, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x40, 0x00, 0x00, 0x00, 0x00, 0x00, 0x00, 0x1B, 0x8F,
            0x00, 0xF8, 0xC5, 0x53, 0x96, 0xAA, 0x5C, 0x6D, 0x66, 0x04, 0x0F, 0x0F, 0xDD, 0x82, 0x81, 0x81, 0xFB, 0x0B,
            0x4F, 0x00,
        ],
    )?;
    intake()?;
    let recipes = Path::new(env!("CARGO_MANIFEST_DIR")).join("../profiles/recipes");
    for entry in fs::read_dir(recipes)? {
        let entry = entry?;
        save("recipe", &entry.file_name().to_string_lossy(), &fs::read(entry.path())?)?;
    }
    Ok(())
}

/// Lists, keys, signatures and archives, small ones of each form.
fn intake() -> Result<(), Box<dyn Error>> {
    use intake::build::{Publisher, list};
    let listed = list(&[("x.bin", b"one"), ("dir/y.bin", b"two")]);
    save("intake_list", "plain", listed.as_bytes())?;
    let hash = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    save("intake_list", "tagged", format!("SHA256 (a (1).bin) = {hash}\r\n").as_bytes())?;
    save("intake_list", "bare", hash.to_uppercase().as_bytes())?;
    save("intake_list", "escaped", format!("\\{hash} *a\\nb\\\\c\n").as_bytes())?;
    let publisher = Publisher::new(7);
    let signature = publisher.signature(b"what was signed", "timestamp:1772366400\tfile:x.bin");
    save("intake_signatures", "minisign", format!("{}\0{signature}", publisher.key_file()).as_bytes())?;
    save(
        "intake_keys",
        "two",
        b"[[key]]\norigin = \"M\"\nscheme = \"minisign\"\nkey = \"RWQ\"\ncontent = \"00\"\nby = \"Ines\"\nsince = \"2026\"\n",
    )?;
    // Made with gpg, tar, gzip, xz, zstd and zip of Debian; nobody has the secret key.
    for entry in fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("seeds"))? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let target = if name.starts_with("openpgp") { "intake_signatures" } else { "intake_archive" };
        save(target, &name, &fs::read(entry.path())?)?;
    }
    Ok(())
}

fn save(target: &str, name: &str, bytes: &[u8]) -> Result<(), Box<dyn Error>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("corpus").join(target);
    fs::create_dir_all(&folder)?;
    Ok(fs::write(folder.join(name), bytes)?)
}
