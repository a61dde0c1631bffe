use std::io::Cursor;

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
