//! Archives as Debian's programs make them.

use std::fs::{self, File};

use intake::archive::{CONTENT, Listing, copy, list, members, open};

use crate::{installed, noise, run};

fn of(path: &std::path::Path) -> Listing {
    list(&mut File::open(path).unwrap()).unwrap()
}

#[test]
fn archives_of_every_kind_give_back_what_went_in() {
    if !installed(&["tar", "gzip", "xz", "zstd", "zip"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let (one, two) = (noise(300_000), vec![0xFF; 2 << 20]);
    let long = format!("in/{}", "long-name-".repeat(20));
    fs::create_dir(at.join("in")).unwrap();
    fs::write(at.join("in/one.bin"), &one).unwrap();
    fs::write(at.join("in/two.bin"), &two).unwrap();
    fs::write(at.join(&long), b"long").unwrap();
    fs::write(at.join("in/empty"), b"").unwrap();
    for (file, line, kind) in [
        ("a.tar", "tar -cf a.tar in", "tar"),
        ("a-ustar.tar", "tar --format=ustar -cf a-ustar.tar in", "tar"),
        ("a-pax.tar", "tar --format=pax -cf a-pax.tar in", "tar"),
        ("a-dot.tar", "tar -cf a-dot.tar ./in", "tar"),
        ("a.tar.gz", "tar -czf a.tar.gz in", "tar in gzip"),
        ("a.tar.xz", "tar -cJf a.tar.xz in", "tar in xz"),
        ("a9.tar.xz", "tar -cf - in | xz -9e > a9.tar.xz", "tar in xz"),
        ("a.tar.zst", "tar -cf - in | zstd -q -19 > a.tar.zst", "tar in zstd"),
        ("a.zip", "zip -q -r a.zip in", "zip"),
        ("stored.zip", "zip -q -0 -r stored.zip in", "zip"),
        // A zip that was written to a pipe has its sizes behind the members, and 64-bit fields.
        ("piped.zip", "zip -q -r - in | cat > piped.zip", "zip"),
    ] {
        if file == "a-ustar.tar" {
            // That form has no room for the long name: 100 bytes and a folder before them.
            fs::remove_file(at.join(&long)).unwrap();
        }
        run(at, line);
        if file == "a-ustar.tar" {
            fs::write(at.join(&long), b"long").unwrap();
        }
        let listing = of(&at.join(file));
        assert_eq!(
            (listing.kind.as_str(), listing.whole, listing.findings.len()),
            (kind, true, 0),
            "{file}: {listing:?}"
        );
        let mut source = File::open(at.join(file)).unwrap();
        assert_eq!(members(&mut source).unwrap(), listing.members);
        assert!(open(&mut source, "in/one.bin").unwrap() == one, "{file}");
        assert!(open(&mut source, "in/two.bin").unwrap() == two, "{file}");
        assert!(open(&mut source, "in/empty").unwrap().is_empty(), "{file}");
        if file != "a-ustar.tar" {
            assert_eq!(open(&mut source, &long).unwrap(), b"long", "{file}");
        }
        let mut out = Vec::new();
        assert_eq!(copy(&mut source, "in/one.bin", &mut out).unwrap(), one.len() as u64);
        assert!(out == one, "{file}");
    }
    for (file, line) in [
        ("one.gz", "gzip -c in/one.bin > one.gz"),
        ("one.xz", "xz -c in/one.bin > one.xz"),
        ("one9.xz", "xz -9e -c in/one.bin > one9.xz"),
        ("one.zst", "zstd -q -c in/one.bin > one.zst"),
        ("long.zst", "zstd -q -c --long=27 in/one.bin > long.zst"),
    ] {
        run(at, line);
        let mut source = File::open(at.join(file)).unwrap();
        assert_eq!(members(&mut source).unwrap()[0].size, one.len() as u64, "{file}");
        assert!(open(&mut source, CONTENT).unwrap() == one, "{file}");
    }
}

#[test]
fn s10_links_that_other_programs_pack_are_left_alone() {
    if !installed(&["tar", "zip"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    run(
        folder.path(),
        "mkdir in; echo x > in/x; ln -s /etc/passwd in/link; ln in/x in/hard; mkfifo in/pipe; \
         tar -cf a.tar in; zip -q --symlinks -r a.zip in/x in/link; \
         tar -P --transform 's,^in/x,../x,' -cf up.tar in/x",
    );
    let tarred = of(&folder.path().join("a.tar"));
    assert_eq!((tarred.members.len(), tarred.findings.len()), (1, 3), "{tarred:?}");
    let zipped = of(&folder.path().join("a.zip"));
    assert_eq!((zipped.members.len(), zipped.findings.len()), (1, 1), "{zipped:?}");
    let up = of(&folder.path().join("up.tar"));
    assert_eq!((up.members.len(), up.findings.len()), (0, 1), "{up:?}");
}

#[test]
fn s10_a_bomb_of_another_program_is_told() {
    if !installed(&["xz", "zstd"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    run(at, "head -c 100M /dev/zero | xz -9 > zeros.xz; head -c 100M /dev/zero | zstd -q > zeros.zst");
    for file in ["zeros.xz", "zeros.zst"] {
        let mut source = File::open(at.join(file)).unwrap();
        assert!(open(&mut source, CONTENT).is_err(), "{file}");
        assert_eq!(members(&mut source).unwrap()[0].size, 100 << 20, "{file}");
    }
}
