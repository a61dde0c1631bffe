use sha2::{Digest, Sha256};

use super::*;
use crate::explain::tests::{driver, guided, lzma, section, stream, volume};

const LZMA: &str = "ee4e5898-3914-4259-9d6e-dc7bd79403cf";

/// Two volumes; the second holds another one packed.
fn image() -> Vec<u8> {
    let inner = volume(8192, &[driver(5, "Deep"), driver(6, "a \"b\"/c")]);
    let packed =
        guided(LZMA.parse().unwrap(), &[], 1, &lzma(&stream(&[section(0x19, &[1; 8]), section(0x17, &inner)])));
    let second = volume(8192, &[crate::explain::tests::file(9, 0x0B, &packed)]);
    [volume(8192, &[driver(1, "One"), driver(2, "Two")]), second, vec![0xFF; 4096]].concat()
}

fn named(selector: &str) -> Result<Vec<u8>, SelectError> {
    take(&image(), &selector.parse().unwrap(), Form::Stored)
}

#[test]
fn every_path_of_a_tree_names_its_node_and_gives_its_bytes() {
    let image = image();
    let explanation = explain(&image);
    let mut stack: Vec<Vec<usize>> = (0..explanation.structures.len()).map(|index| vec![index]).collect();
    let mut count = 0;
    while let Some(path) = stack.pop() {
        let node = node_at(&explanation, &path).unwrap();
        stack.extend((0..node.children.len()).map(|index| [&path[..], &[index]].concat()));
        let text = path_text(&explanation, &path);
        let selector: Selector = text.parse().unwrap();
        assert_eq!(selector.to_string(), text);
        assert_eq!(find(&explanation, &selector), Ok(path), "{text}");
        let stored = take(&image, &selector, Form::Stored).unwrap();
        assert_eq!(<[u8; 32]>::from(Sha256::digest(stored)), node.sha256, "{text}");
        let decoded = take(&image, &selector, Form::Decoded).unwrap();
        assert_eq!(<[u8; 32]>::from(Sha256::digest(decoded)), node.content_sha256, "{text}");
        count += 1;
    }
    assert_eq!(count, explanation.nodes().count());
}

#[test]
fn a_name_finds_its_node_at_any_depth_and_in_another_place() {
    let deep = named("file:Deep/section%10").unwrap();
    assert!(deep[4..].starts_with(b"MZ"));
    let moved = [vec![0xFF; 8192], image()].concat();
    assert_eq!(take(&moved, &"file:Deep/section%10".parse().unwrap(), Form::Stored).unwrap(), deep);
    assert_eq!(named("file:05050505-0505-0505-0505-050505050505/section%10").unwrap(), deep);
    assert!(named("file:\"a \"\"b\"\"/c\"").is_ok());
    assert_eq!(named("volume#2").unwrap(), named("/volume:8c8ce578-8a3d-4f1c-9935-896185c32dd3#2").unwrap());
}

#[test]
fn what_does_not_fit_says_what_is_there() {
    let error = named("file:Dep").unwrap_err().to_string();
    assert!(error.contains("file:Deep") && error.contains("file:One"), "{error}");
    let error = named("/volume#1/file:Deep").unwrap_err().to_string();
    assert!(error.contains("file:01010101-0101-0101-0101-010101010101"), "{error}");
    let Err(SelectError::Several { count, candidates, .. }) = named("file/section%10") else { panic!("four images") };
    assert_eq!((count, candidates.len()), (4, 4));
    assert!(candidates.iter().all(|path| named(path).is_ok()), "the candidates are selectors");
}

#[test]
fn what_is_no_selector_says_where() {
    let error = |text: &str| text.parse::<Selector>().unwrap_err();
    assert_eq!(error(""), SelectorError::Empty { at: 1 });
    assert_eq!(error("volume//file"), SelectorError::Empty { at: 8 });
    assert!(matches!(error("/volume/fil:x"), SelectorError::Kind { at: 9, .. }));
    assert_eq!(error("file:\"x"), SelectorError::Quote { at: 6 });
    assert!(matches!(error("file#0"), SelectorError::Part { at: 6, mark: '#', .. }));
    assert!(matches!(error("section%xy"), SelectorError::Part { at: 9, mark: '%', .. }));
    assert!(matches!(error("file:"), SelectorError::Part { at: 6, mark: ':', .. }));
}

#[test]
fn completions_are_what_stands_there() {
    let explanation = explain(&image());
    let volume = "/volume:8c8ce578-8a3d-4f1c-9935-896185c32dd3";
    assert_eq!(completions(&explanation, ""), [format!("{volume}#1"), format!("{volume}#2"), "/blank".to_owned()]);
    assert_eq!(completions(&explanation, "/b"), ["/blank"]);
    let files = completions(&explanation, &format!("{volume}#1/fi"));
    assert_eq!(files.len(), 2);
    assert!(completions(&explanation, "/nothing/here/").is_empty());
}
