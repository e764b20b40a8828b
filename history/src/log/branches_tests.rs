//! What the forest of a log's segments says of joining and parting.

use super::*;
use carrylog_format::tree::leaf_hash;

fn leaves(text: &str) -> Vec<Hash> {
    text.bytes().map(|b| leaf_hash(&[b])).collect()
}

fn segment(log: &str, from: usize) -> Segment {
    let mut before = Frontier::new();
    leaves(&log[..from])
        .into_iter()
        .for_each(|l| before.push(l));
    Segment {
        before,
        leaves: leaves(&log[from..]),
    }
}

#[test]
fn a_segment_joins_where_its_frontier_is_known() {
    let forest = Forest::grow(vec![segment("abcdefgh", 5), segment("abcdef", 0)], []);
    assert_eq!(forest.branches().len(), 1);
    assert_eq!(forest.branches()[0].end.size(), 8);
}

#[test]
fn a_segment_with_another_past_stands_apart_and_is_known_to_differ() {
    let forest = Forest::grow(vec![segment("abcdefgh", 0), segment("aXcdefgh", 6)], []);
    assert_eq!(forest.branches().len(), 2);
    // A frontier of 6 leaves names the sizes 4 and 6: they differ within the first 4.
    let parting = forest.parting(0, 1);
    assert_eq!(
        parting,
        Some(Parting {
            same_up_to: 0,
            differ_by: 4
        })
    );
}

#[test]
fn a_gap_that_contradicts_nothing_is_no_parting() {
    let forest = Forest::grow(vec![segment("abc", 0), segment("abcdefgh", 6)], []);
    assert_eq!(forest.parting(0, 1), None);
}

#[test]
fn a_gap_whose_frontier_contradicts_what_is_known_is_a_parting() {
    let forest = Forest::grow(vec![segment("abcde", 0), segment("abXdefgh", 6)], []);
    assert_eq!(
        forest.parting(0, 1),
        Some(Parting {
            same_up_to: 0,
            differ_by: 4
        })
    );
}

#[test]
fn branches_of_one_tree_part_at_their_first_difference() {
    let all = vec![
        segment("abcdXY", 0),
        segment("abcdefgh", 0),
        segment("abcdefZ", 0),
    ];
    let forest = Forest::grow(all, []);
    assert_eq!(forest.branches().len(), 3);
    let sizes: BTreeSet<u64> = [(0, 1), (0, 2), (1, 2)]
        .into_iter()
        .filter_map(|(x, y)| forest.parting(x, y))
        .map(|p| p.same_up_to)
        .collect();
    assert_eq!(sizes, BTreeSet::from([4, 6]));
}
