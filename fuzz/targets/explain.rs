#![no_main]

use image::explain::{Explanation, MAX_DEPTH, MAX_FINDINGS, MAX_NODES, explain, render};
use image::select::{Form, find, take};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let explanation = explain(input);
    tiles(&explanation);
    assert!(explanation.findings.len() <= MAX_FINDINGS);
    assert!(render(&explanation, 80, usize::MAX).lines().all(|line| line.chars().count() <= 80));
    let proof = explanation.proof;
    assert!(proof.covered <= proof.bytes && proof.decoded <= proof.bytes && proof.blank <= proof.bytes);
    // A finding stands on a node that its path names, and whose bytes can be taken.
    for finding in explanation.findings.iter().filter(|finding| !finding.path.is_empty()).take(3) {
        let selector = finding.path.parse().expect("a path is a selector");
        find(&explanation, &selector).expect("a path names its node");
        take(input, &selector, Form::Stored).expect("what was read can be taken");
    }
});

fn tiles(explanation: &Explanation) {
    let mut end = 0;
    for node in &explanation.structures {
        assert_eq!(node.at, end);
        end = node.range().end;
    }
    assert_eq!(end, explanation.size);
    let mut count = 0;
    for (depth, node) in explanation.nodes() {
        count += 1;
        assert!(depth < MAX_DEPTH && node.lead <= node.size);
        for child in node.children.iter().filter(|child| child.space == node.space) {
            assert!(child.at >= node.at && child.range().end <= node.range().end);
        }
    }
    assert!(count <= MAX_NODES);
}
