//! Branches of one log: the forest of everything its segments say, whatever the order they came in.
//!
//! A segment `[a, b)` with the frontier at `a` is `b − a` steps, each from one frontier to the next
//! by one leaf. A frontier names every leaf before it, so equal frontiers are one point and the
//! points form a forest: one tree grows from the empty log, every other tree stands on entries that
//! are not known yet. Splitting, repeating or reordering segments gives the same steps and so the
//! same forest. Knows nothing of trust or status; `merge` does.

use carrylog_format::tree::{Frontier, Hash, empty_root};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// A verified run of one log's leaves.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// Compact range before the first leaf; its size is the first index.
    pub before: Frontier,
    /// Leaf hashes, in order.
    pub leaves: Vec<Hash>,
}

impl Segment {
    /// Index of the first leaf.
    pub fn from(&self) -> u64 {
        self.before.size()
    }

    /// Index after the last leaf.
    pub fn to(&self) -> u64 {
        self.before.size() + self.leaves.len() as u64
    }
}

/// One line of leaves: from where it leaves its parent, or from where knowledge begins, to its end.
#[derive(Debug, Clone)]
pub(crate) struct Branch {
    /// The branch that it leaves and the size at which it does; `None` for the root of a tree.
    pub(crate) parent: Option<(usize, u64)>,
    pub(crate) start: Frontier,
    pub(crate) end: Frontier,
    pub(crate) leaves: Vec<Hash>,
    /// Roots at the sizes that are looked at, within `start..=end`.
    marks: BTreeMap<u64, Hash>,
}

/// A point at which two branches are known to part: they agree on the first `same_up_to` leaves
/// and their first `differ_by` leaves are not the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Parting {
    pub(crate) same_up_to: u64,
    pub(crate) differ_by: u64,
}

/// All branches of one log. Branch 0 grows from the empty log and may have no leaf.
#[derive(Debug, Clone)]
pub(crate) struct Forest {
    branches: Vec<Branch>,
    points: HashMap<(u64, Hash), usize>,
    children: HashMap<(usize, u64, Hash), usize>,
    looked_at: BTreeSet<u64>,
}

impl Forest {
    /// Grows the forest. `looked_at` are further sizes at which roots are asked for later.
    ///
    /// One pass in ascending order of the first index suffices: a segment that begins at `a` hangs on
    /// a point of size `a`, and such a point only comes from a segment that begins before `a`, or is
    /// the empty log itself.
    pub(crate) fn grow(
        mut segments: Vec<Segment>,
        looked_at: impl IntoIterator<Item = u64>,
    ) -> Self {
        segments.sort_by(|a, b| {
            (a.from(), a.to(), &a.leaves, a.before.hashes()).cmp(&(
                b.from(),
                b.to(),
                &b.leaves,
                b.before.hashes(),
            ))
        });
        let mut sizes: BTreeSet<u64> = looked_at.into_iter().collect();
        for segment in &segments {
            sizes.extend(prefix_sizes(segment.from()));
        }
        let mut forest = Self {
            branches: Vec::new(),
            points: HashMap::new(),
            children: HashMap::new(),
            looked_at: sizes,
        };
        forest.plant(Frontier::new());
        for segment in &segments {
            forest.add(segment);
        }
        forest
    }

    pub(crate) fn branches(&self) -> &[Branch] {
        &self.branches
    }

    /// Sizes at which branches leave `branch`, ascending.
    pub(crate) fn partings_of(&self, branch: usize) -> BTreeSet<u64> {
        self.children
            .keys()
            .filter(|(b, ..)| *b == branch)
            .map(|(_, at, _)| *at)
            .collect()
    }

    /// Branches that run through the step at `index` of `branch`: itself, and all that leave later.
    pub(crate) fn through(&self, branch: usize, index: u64) -> Vec<usize> {
        let mut found = vec![branch];
        let mut next = 0;
        while let Some(&at) = found.get(next) {
            let later = |at_size: u64| at != branch || at_size > index;
            let mut leaving: Vec<usize> = self
                .children
                .iter()
                .filter(|((b, size, _), _)| *b == at && later(*size))
                .map(|(_, child)| *child)
                .collect();
            leaving.sort_unstable();
            found.extend(leaving);
            next += 1;
        }
        found
    }

    /// The root of the tree that a branch belongs to.
    pub(crate) fn tree_of(&self, branch: usize) -> usize {
        let mut at = branch;
        while let Some((parent, _)) = self.branches[at].parent {
            at = parent;
        }
        at
    }

    /// The root of the first `size` leaves along a branch, if it is known. Below the beginning of a
    /// tree that does not reach the empty log, its frontier still names some earlier sizes.
    pub(crate) fn root_at(&self, branch: usize, size: u64) -> Option<Hash> {
        let mut at = branch;
        loop {
            let b = &self.branches[at];
            if size > b.end.size() {
                return None;
            }
            if size > b.start.size() || (size == b.start.size() && b.parent.is_none()) {
                return Some(
                    b.marks
                        .get(&size)
                        .copied()
                        .unwrap_or_else(|| b.replay(size)),
                );
            }
            match b.parent {
                Some((parent, _)) => at = parent,
                None => return prefix_root(&b.start, size),
            }
        }
    }

    /// Where two branches part, if what is known shows that they do.
    pub(crate) fn parting(&self, x: usize, y: usize) -> Option<Parting> {
        if self.tree_of(x) == self.tree_of(y) {
            let same_up_to = self.common_size(x, y);
            return Some(Parting {
                same_up_to,
                differ_by: same_up_to + 1,
            });
        }
        // Two trees share no point from the larger beginning on, so only the sizes that their
        // beginnings name can tell them apart; others would depend on how segments were cut.
        let beginning = |branch: usize| self.branches[self.tree_of(branch)].start.size();
        let mut sizes = prefix_sizes(beginning(x));
        sizes.extend(prefix_sizes(beginning(y)));
        sizes.sort_unstable();
        let mut same_up_to = 0;
        for size in sizes {
            match (self.root_at(x, size), self.root_at(y, size)) {
                (Some(a), Some(b)) if a == b => same_up_to = size,
                (Some(_), Some(_)) => {
                    return Some(Parting {
                        same_up_to,
                        differ_by: size,
                    });
                }
                _ => {}
            }
        }
        None
    }

    /// Size of the common beginning of two branches of one tree.
    fn common_size(&self, x: usize, y: usize) -> u64 {
        let line = |branch: usize| {
            let mut at = branch;
            let mut upto = self.branches[at].end.size();
            let mut line = vec![(at, upto)];
            while let Some((parent, size)) = self.branches[at].parent {
                (at, upto) = (parent, size);
                line.push((at, upto));
            }
            line
        };
        let of_x: HashMap<usize, u64> = line(x).into_iter().collect();
        line(y)
            .into_iter()
            .find_map(|(branch, size)| of_x.get(&branch).map(|other| size.min(*other)))
            .unwrap_or(0)
    }

    fn plant(&mut self, start: Frontier) -> usize {
        let branch = self.branches.len();
        let root = start.root();
        self.points.insert((start.size(), root), branch);
        self.branches.push(Branch {
            parent: None,
            marks: BTreeMap::from([(start.size(), root)]),
            end: start.clone(),
            start,
            leaves: Vec::new(),
        });
        branch
    }

    fn add(&mut self, segment: &Segment) {
        let point = (segment.from(), segment.before.root());
        let mut branch = match self.points.get(&point) {
            Some(known) => *known,
            None => self.plant(segment.before.clone()),
        };
        for (size, (position, leaf)) in (segment.from()..).zip(segment.leaves.iter().enumerate()) {
            match self.branches[branch].leaf(size) {
                Some(known) if known == *leaf => {}
                Some(_) => branch = self.turn(branch, size, segment, position, *leaf),
                None => self.extend(branch, *leaf),
            }
        }
    }

    /// The branch that leaves `branch` at `size` with `leaf`, made if it is new.
    fn turn(
        &mut self,
        branch: usize,
        size: u64,
        segment: &Segment,
        position: usize,
        leaf: Hash,
    ) -> usize {
        if let Some(known) = self.children.get(&(branch, size, leaf)) {
            return *known;
        }
        let mut start = segment.before.clone();
        for earlier in segment.leaves.iter().take(position) {
            start.push(*earlier);
        }
        self.branches[branch]
            .marks
            .entry(size)
            .or_insert_with(|| start.root());
        let child = self.branches.len();
        self.branches.push(Branch {
            parent: Some((branch, size)),
            end: start.clone(),
            start,
            leaves: Vec::new(),
            marks: BTreeMap::new(),
        });
        self.children.insert((branch, size, leaf), child);
        self.extend(child, leaf);
        child
    }

    fn extend(&mut self, branch: usize, leaf: Hash) {
        let b = &mut self.branches[branch];
        b.leaves.push(leaf);
        b.end.push(leaf);
        let size = b.end.size();
        if self.looked_at.contains(&size) {
            let root = b.end.root();
            b.marks.insert(size, root);
            self.points.insert((size, root), branch);
        }
    }
}

// Branch numbers come from this module only and branches are never removed, so that indexing by
// them cannot fail.

impl Branch {
    fn leaf(&self, index: u64) -> Option<Hash> {
        let position = usize::try_from(index.checked_sub(self.start.size())?).ok()?;
        self.leaves.get(position).copied()
    }

    fn replay(&self, size: u64) -> Hash {
        let mut frontier = self.start.clone();
        for leaf in self.leaves.iter().take((size - self.start.size()) as usize) {
            frontier.push(*leaf);
        }
        frontier.root()
    }
}

/// The sizes that a frontier of `size` leaves names: its largest subtree, the two largest, and so on.
fn prefix_sizes(size: u64) -> Vec<u64> {
    let mut sizes = vec![0];
    let mut sum = 0;
    for bit in (0..u64::BITS)
        .rev()
        .map(|b| 1u64 << b)
        .filter(|b| size & b != 0)
    {
        sum += bit;
        sizes.push(sum);
    }
    sizes
}

fn prefix_root(frontier: &Frontier, size: u64) -> Option<Hash> {
    let count = prefix_sizes(frontier.size())
        .iter()
        .position(|s| *s == size)?;
    if count == 0 {
        return Some(empty_root());
    }
    let hashes = frontier.hashes().iter().take(count).copied().collect();
    Frontier::from_parts(size, hashes).ok().map(|f| f.root())
}

#[cfg(test)]
#[path = "branches_tests.rs"]
mod tests;
