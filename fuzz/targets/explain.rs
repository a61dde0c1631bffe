#![no_main]

use image::explain::{MAX_NODES, Node, explain, render};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let explanation = explain(input);
    // Each byte belongs to exactly one structure at the top, in the order of addresses.
    let end = explanation.structures.iter().fold(0, |at, node| {
        assert_eq!(node.at, at);
        at + node.size
    });
    assert_eq!(end, input.len() as u64);
    assert!(explanation.structures.iter().map(count).sum::<usize>() <= MAX_NODES);
    assert!(explanation.proof.covered <= input.len() as u64);
    assert!(!render(&explanation, 80, 8).contains('\u{1b}'), "an escape sequence");
    serde_json::to_string(&explanation.to_json("fuzz.bin")).expect("every tree can be written");
});

fn count(node: &Node) -> usize {
    1 + node.children.iter().map(count).sum::<usize>()
}
