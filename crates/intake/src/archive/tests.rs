use std::io::Cursor;

use flate2::Compression;
use flate2::write::{DeflateEncoder, GzEncoder};
use proptest::prelude::*;

use super::*;

/// A tar block of a regular file, made by hand after POSIX.1-2017, `pax`, "ustar Interchange Format".
fn tar_member(name: &[u8], kind: u8, content: &[u8]) -> Vec<u8> {
    let mut block = vec![0; 512];
    block[..name.len()].copy_from_slice(name);
    block[100..108].copy_from_slice(b"0000644\0");
    block[124..136].copy_from_slice(format!("{:011o}\0", content.len()).as_bytes());
    block[148..156].fill(b' ');
    block[156] = kind;
    block[257..265].copy_from_slice(b"ustar\x0000");
    let sum: u32 = block.iter().map(|byte| u32::from(*byte)).sum();
    block[148..156].copy_from_slice(format!("{sum:06o}\0 ").as_bytes());
    block.extend_from_slice(content);
    block.resize(block.len().next_multiple_of(512), 0);
    block
}

fn tar(members: &[Vec<u8>]) -> Vec<u8> {
    let mut archive = members.concat();
    archive.resize(archive.len() + 1024, 0);
    archive
}

#[test]
fn members_of_a_tar_are_listed_and_opened() {
    let archive = tar(&[tar_member(b"./a/one.bin", b'0', b"first"), tar_member(b"two", b'0', &[7; 600])]);
    let mut source = Cursor::new(&archive);
    let found = members(&mut source).unwrap();
    let names: Vec<_> = found.iter().map(|member| (member.path.as_str(), member.size)).collect();
    assert_eq!(names, [("a/one.bin", 5), ("two", 600)]);
    assert_eq!(open(&mut source, "a/one.bin").unwrap(), b"first");
    assert_eq!(open(&mut source, "two").unwrap(), [7; 600]);
    assert!(matches!(open(&mut source, "three"), Err(ArchiveError::NoMember { .. })));
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// What a zip archive says of a member, where it is not what it holds.
#[derive(Default)]
struct Lies {
    local_name: Option<&'static [u8]>,
    size: Option<u32>,
    crc32: Option<u32>,
    mode: u32,
    flags: u16,
    at: Option<u32>,
}

/// A zip archive made by hand after APPNOTE.TXT 6.3.10, sections 4.3.7, 4.3.12 and 4.3.16; all members deflated.
fn zip(members: &[(&[u8], &[u8], Lies)]) -> Vec<u8> {
    let (mut archive, mut directory) = (Vec::new(), Vec::new());
    for (name, content, lies) in members {
        let mut encoder = DeflateEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(content).unwrap();
        let packed = encoder.finish().unwrap();
        let at = lies.at.unwrap_or(u32::try_from(archive.len()).unwrap());
        let size = lies.size.unwrap_or(u32::try_from(content.len()).unwrap());
        let crc32 = lies.crc32.unwrap_or(crc32fast::hash(content));
        let mut common = Vec::new();
        common.extend_from_slice(&20_u16.to_le_bytes());
        common.extend_from_slice(&lies.flags.to_le_bytes());
        common.extend_from_slice(&8_u16.to_le_bytes());
        common.extend_from_slice(&[0; 4]);
        common.extend_from_slice(&crc32.to_le_bytes());
        common.extend_from_slice(&u32::try_from(packed.len()).unwrap().to_le_bytes());
        common.extend_from_slice(&size.to_le_bytes());
        let lens = |name: &[u8]| [&u16::try_from(name.len()).unwrap().to_le_bytes()[..], &[0, 0]].concat();
        let local = lies.local_name.unwrap_or(name);
        archive.extend_from_slice(b"PK\x03\x04");
        archive.extend_from_slice(&[&common[..], &lens(local), local, &packed].concat());
        directory.extend_from_slice(b"PK\x01\x02\x14\x03");
        directory.extend_from_slice(&[&common[..], &lens(name), &[0; 6]].concat());
        directory.extend_from_slice(&(lies.mode << 16).to_le_bytes());
        directory.extend_from_slice(&at.to_le_bytes());
        directory.extend_from_slice(name);
    }
    let at = u32::try_from(archive.len()).unwrap();
    archive.extend_from_slice(&directory);
    archive.extend_from_slice(b"PK\x05\x06\0\0\0\0");
    let count = u16::try_from(members.len()).unwrap().to_le_bytes();
    archive.extend_from_slice(&[count, count].concat());
    archive.extend_from_slice(&u32::try_from(directory.len()).unwrap().to_le_bytes());
    archive.extend_from_slice(&[&at.to_le_bytes()[..], &[0, 0]].concat());
    archive
}

fn of(bytes: &[u8]) -> Listing {
    list(&mut Cursor::new(bytes)).unwrap()
}

fn paths(listing: &Listing) -> Vec<&str> {
    listing.members.iter().map(|member| member.path.as_str()).collect()
}

#[test]
fn a_compressed_file_has_one_member() {
    let packed = gzip(b"hello");
    assert_eq!(of(&packed).members, [Member { path: CONTENT.into(), size: 5 }]);
    assert_eq!(open(&mut Cursor::new(&packed), CONTENT).unwrap(), b"hello");
    // Two streams after each other are one, as the format's own program has it (RFC 1952 section 2.2).
    let two = [gzip(b"hello "), gzip(b"there")].concat();
    assert_eq!(open(&mut Cursor::new(&two), CONTENT).unwrap(), b"hello there");
    let mut damaged = gzip(&[7; 4000]);
    let last = damaged.len() - 6;
    damaged[last] ^= 1;
    assert!(matches!(open(&mut Cursor::new(&damaged), CONTENT), Err(ArchiveError::Damaged { .. })));
}

#[test]
fn a_compressed_tar_is_checked_to_its_end() {
    let archive = tar(&[tar_member(b"a", b'0', &[1; 700])]);
    let mut packed = gzip(&archive);
    assert_eq!(of(&packed).kind, "tar in gzip");
    assert_eq!(open(&mut Cursor::new(&packed), "a").unwrap(), [1; 700]);
    let last = packed.len() - 6;
    packed[last] ^= 1;
    assert!(matches!(open(&mut Cursor::new(&packed), "a"), Err(ArchiveError::Damaged { .. })));
}

#[test]
fn members_of_a_zip_are_listed_and_opened() {
    let archive = zip(&[
        (b"dir/", b"", Lies::default()),
        (b"dir/one.bin", b"first", Lies::default()),
        (b"two", &[9; 5000], Lies { mode: 0o100_644, ..Lies::default() }),
    ]);
    assert_eq!(paths(&of(&archive)), ["dir/one.bin", "two"]);
    assert_eq!(open(&mut Cursor::new(&archive), "dir/one.bin").unwrap(), b"first");
    // A program that unpacks itself has its code before the archive.
    let behind = [&[0x90; 777][..], &archive].concat();
    assert_eq!(open(&mut Cursor::new(&behind), "two").unwrap(), [9; 5000]);
}

#[test]
fn s10_names_that_lead_elsewhere_are_findings() {
    let bad: [&[u8]; 7] = [b"../x", b"/etc/x", b"a/../../x", b"..\\x", b"C:x", b"a\nb", b"a\xFF"];
    let tarred = tar(&bad.map(|name| tar_member(name, b'0', b"evil")));
    let zipped = zip(&bad.map(|name| (name, &b"evil"[..], Lies::default())));
    for archive in [tarred, zipped] {
        let listing = of(&archive);
        assert_eq!((listing.members.len(), listing.findings.len()), (0, bad.len()));
        for name in ["../x", "x", "/etc/x", "etc/x"] {
            let error = open(&mut Cursor::new(&archive), name).unwrap_err();
            assert!(matches!(error, ArchiveError::NoMember { .. } | ArchiveError::Refused { .. }), "{name}: {error}");
        }
        assert!(listing.findings.iter().all(|finding| !finding.path.contains(char::is_control)));
    }
}

#[test]
fn s10_links_and_devices_are_findings() {
    let kinds = tar(&[b'1', b'2', b'3', b'4', b'6', b'S'].map(|kind| tar_member(&[b'a', kind], kind, b"")));
    let listing = of(&kinds);
    assert_eq!((listing.members.len(), listing.findings.len()), (0, 6), "{listing:?}");
    let link = Lies { mode: 0o120_777, ..Lies::default() };
    let device = Lies { mode: 0o020_600, ..Lies::default() };
    let locked = Lies { flags: 1, ..Lies::default() };
    let archive = zip(&[(b"link", b"/etc/x", link), (b"device", b"", device), (b"locked", b"x", locked)]);
    let listing = of(&archive);
    assert_eq!((listing.members.len(), listing.findings.len()), (0, 3), "{listing:?}");
    assert!(matches!(open(&mut Cursor::new(&archive), "link"), Err(ArchiveError::Refused { .. })));
}

#[test]
fn s10_two_members_of_one_name_cannot_be_opened() {
    let tarred = tar(&[tar_member(b"a", b'0', b"good"), tar_member(b"./a", b'0', b"evil")]);
    let zipped = zip(&[(b"a", b"good", Lies::default()), (b"a", b"evil", Lies::default())]);
    for archive in [tarred, zipped] {
        assert_eq!(of(&archive).findings.len(), 1);
        assert!(matches!(open(&mut Cursor::new(&archive), "a"), Err(ArchiveError::Refused { .. })));
    }
}

#[test]
fn s10_a_zip_that_lies_is_refused() {
    let lies = [
        Lies { local_name: Some(b"b"), ..Lies::default() },
        Lies { size: Some(3), ..Lies::default() },
        Lies { size: Some(9), ..Lies::default() },
        Lies { size: Some(u32::MAX - 1), ..Lies::default() },
        Lies { crc32: Some(1), ..Lies::default() },
        Lies { at: Some(5), ..Lies::default() },
        Lies { at: Some(u32::MAX - 1), ..Lies::default() },
    ];
    for (number, lie) in lies.into_iter().enumerate() {
        let archive = zip(&[(b"a", b"hello", lie)]);
        let error = open(&mut Cursor::new(&archive), "a").unwrap_err();
        assert!(matches!(error, ArchiveError::Damaged { .. } | ArchiveError::Budget { .. }), "lie {number}: {error}");
    }
    // Members that share their bytes: the bomb of a thousand names for one content.
    let shared = Lies { at: Some(0), ..Lies::default() };
    let archive = zip(&[(b"a", b"hello", Lies::default()), (b"b", b"hello", shared)]);
    assert!(!of(&archive).whole);
    assert!(matches!(open(&mut Cursor::new(&archive), "a"), Err(ArchiveError::Damaged { .. })));
}

#[test]
fn s10_a_bomb_is_a_finding_and_not_a_full_memory() {
    // 64 MiB of zeros; what may be held of so small an archive is 32 MiB and a little.
    let packed = gzip(&vec![0; 64 << 20]);
    assert!(packed.len() < 1 << 20);
    assert!(matches!(open(&mut Cursor::new(&packed), CONTENT), Err(ArchiveError::Budget { .. })));
    // Into a file it may go.
    assert_eq!(copy(&mut Cursor::new(&packed), CONTENT, &mut io::sink()).unwrap(), 64 << 20);
    // Past what may be decoded at all, the list ends.
    let budget = Budget { streamed: 10 << 20, ..Budget::of(packed.len() as u64) };
    let listing = list_within(&mut Cursor::new(&packed), budget).unwrap();
    assert!(!listing.whole && listing.findings.len() == 1, "{listing:?}");
}

#[test]
fn s10_members_and_names_are_counted() {
    let many: Vec<Vec<u8>> = (0..20).map(|number| tar_member(format!("m{number}").as_bytes(), b'0', b"")).collect();
    let archive = tar(&many);
    let nodes = Budget { nodes: 10, ..Budget::of(1 << 20) };
    let names = Budget { names: 10, ..Budget::of(1 << 20) };
    for budget in [nodes, names] {
        let listing = list_within(&mut Cursor::new(&archive), budget).unwrap();
        assert!(!listing.whole && listing.members.len() < 20, "{listing:?}");
    }
    assert!(of(&archive).whole);
}

#[test]
fn s10_long_names_have_a_limit_and_are_read_up_to_it() {
    for (len, fits) in [(101, true), (1024, true), (1025, false), (70_000, false)] {
        let name = vec![b'n'; len];
        let pax = {
            // The length of a record counts its own digits.
            let rest = format!(" path={}\n", "n".repeat(len));
            let guess = (1..8).find(|digits| (rest.len() + digits).to_string().len() == *digits).unwrap();
            format!("{}{rest}", rest.len() + guess)
        };
        let gnu =
            tar(&[tar_member(b"././@LongLink", b'L', &[&name[..], b"\0"].concat()), tar_member(b"x", b'0', b"hi")]);
        let pax = tar(&[tar_member(b"head", b'x', pax.as_bytes()), tar_member(b"x", b'0', b"hi")]);
        for archive in [gnu, pax] {
            let opened = open(&mut Cursor::new(&archive), std::str::from_utf8(&name).unwrap());
            assert_eq!(opened.is_ok(), fits, "{len}: {opened:?}");
        }
    }
}

#[test]
fn s10_every_cut_of_an_archive_is_an_answer() {
    let tarred = tar(&[tar_member(b"a", b'0', &[1; 700]), tar_member(b"b", b'0', b"x")]);
    let zipped = zip(&[(b"a", &[1; 700], Lies::default()), (b"b", b"x", Lies::default())]);
    for archive in [gzip(&tarred), zipped, tarred] {
        for len in 0..archive.len() - 1 {
            match open(&mut Cursor::new(&archive[..len]), "a") {
                // The end of a tar, two blocks of zeros, may be missing.
                Ok(bytes) => assert_eq!(bytes, [1; 700], "cut to {len}"),
                Err(ArchiveError::Read(error)) => panic!("cut to {len}: {error}"),
                Err(_) => {}
            }
        }
    }
}

proptest! {
    #[test]
    fn s10_any_change_of_an_archive_is_an_answer(
        changes in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        which in 0..3,
    ) {
        let tarred = tar(&[tar_member(b"a", b'0', &[1; 700]), tar_member(b"h", b'x', b"9 size=1\n"), tar_member(b"b", b'0', b"x")]);
        let mut archive = match which {
            0 => tarred,
            1 => gzip(&tarred),
            _ => zip(&[(b"a", &[1; 700], Lies::default()), (b"b", b"x", Lies::default())]),
        };
        for (at, byte) in changes {
            let at = at.index(archive.len());
            archive[at] = byte;
        }
        let opened = open(&mut Cursor::new(&archive), "a");
        prop_assert!(!matches!(opened, Err(ArchiveError::Read(_))), "{opened:?}");
        if let Ok(listing) = list(&mut Cursor::new(&archive)) {
            prop_assert!(listing.members.iter().all(|member| !member.path.starts_with('/') && !member.path.contains("..")));
        }
    }
}
