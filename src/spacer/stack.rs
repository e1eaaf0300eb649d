//! The stack nearest to a thickness: exact, over all stacks of at most so many pieces.
//!
//! All but the last two pieces of a stack are gone through one by one; the last two are looked up among all pairs,
//! sorted by their sum, walking outwards from what is still missing until nothing can be better than what is kept.
//! Thicknesses are counted in whole nanometres, so that sums are exact and ties are ties.

use super::error::SpacerError;
use super::stock::{Piece, Stock, counted};
use crate::estimate::Estimate;

/// Most pieces in a stack.
pub const MOST_PIECES: usize = 6;
/// Prefixes gone through before a request counts as too large; some seconds at most.
const MOST_PREFIXES: f64 = 5e7;

/// How to stack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StackOptions {
    /// Most pieces in a stack, 1 to [`MOST_PIECES`].
    pub pieces: usize,
    /// How many stacks to name, the best first.
    pub stacks: usize,
    /// Stacks whose distances from the wanted thickness fall into the same multiple of this count as equally good;
    /// in mm, at least a nanometre.
    pub tie_mm: f64,
}

impl Default for StackOptions {
    fn default() -> Self {
        Self { pieces: 3, stacks: 5, tie_mm: 0.0 }
    }
}

/// Pieces on top of each other.
#[derive(Debug, Clone, PartialEq)]
pub struct Stack {
    /// What it is made of, in the stock's order.
    pub layers: Vec<Layer>,
    /// Thickness in mm. The pieces of one kind share the error of their one measured thickness; kinds are independent.
    pub total: Estimate,
}

/// Pieces of one kind in a stack.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    /// Which kind: index into the stock's pieces.
    pub index: usize,
    /// The kind.
    pub piece: Piece,
    /// How many of it.
    pub count: usize,
}

impl Stack {
    fn new(stock: &Stock, indices: &[usize]) -> Self {
        let layers: Vec<Layer> = counted(indices)
            .into_iter()
            .map(|(index, count)| Layer { index, piece: stock.pieces()[index].clone(), count })
            .collect();
        let total_nm: i64 =
            layers.iter().map(|layer| layer.count as i64 * nanometres(layer.piece.thickness.value)).sum();
        let total = Estimate::new(total_nm as f64 / NM_PER_MM, uncertainty(stock, indices));
        Self { layers, total }
    }

    /// Number of pieces.
    pub fn piece_count(&self) -> usize {
        self.layers.iter().map(|layer| layer.count).sum()
    }
}

const NM_PER_MM: f64 = 1e6;

fn nanometres(mm: f64) -> i64 {
    (mm * NM_PER_MM).round() as i64
}

fn uncertainty(stock: &Stock, indices: &[usize]) -> f64 {
    let part =
        |(index, count): (usize, usize)| (count as f64 * stock.pieces()[index].thickness.standard_uncertainty).powi(2);
    counted(indices).into_iter().map(part).sum::<f64>().sqrt()
}

/// The best stacks for a thickness in mm, best first: nearest, then fewest pieces, then smallest uncertainty, then the
/// stock's order.
///
/// # Errors
/// A number of pieces that is not 1 to [`MOST_PIECES`], or more stacks than can be gone through.
pub fn stacks(stock: &Stock, wanted_mm: f64, options: &StackOptions) -> Result<Vec<Stack>, SpacerError> {
    if !(1..=MOST_PIECES).contains(&options.pieces) {
        return Err(SpacerError::PieceLimit { pieces: options.pieces });
    }
    let kinds = stock.pieces().len();
    if prefixes(kinds, options.pieces) > MOST_PREFIXES {
        return Err(SpacerError::TooManyStacks { pieces: options.pieces, kinds });
    }
    let mut search = Search {
        stock,
        thicknesses: stock.pieces().iter().map(|piece| nanometres(piece.thickness.value)).collect(),
        wanted: nanometres(wanted_mm),
        tie: nanometres(options.tie_mm).max(1),
        keep: options.stacks.max(1),
        kept: Vec::new(),
    };
    search.singles();
    if options.pieces >= 2 {
        let pairs = search.pairs();
        let mut prefix = Vec::new();
        for size in 2..=options.pieces {
            if search.is_settled(size) {
                break;
            }
            search.with_prefix(&pairs, size - 2, &mut prefix, 0, 0);
        }
    }
    Ok(search.kept.into_iter().map(|found| Stack::new(stock, &found.indices)).collect())
}

/// Multisets of all but two pieces.
fn prefixes(kinds: usize, pieces: usize) -> f64 {
    (0..pieces.saturating_sub(2)).map(|k| (kinds + k) as f64 / (k + 1) as f64).product()
}

/// What stacks are ordered by; smaller is better.
#[derive(Debug, Clone, PartialEq, PartialOrd)]
struct Key {
    distance: i64,
    pieces: usize,
    uncertainty: f64,
    /// Matters only where `distance` is coarser than a nanometre.
    exact_distance: i64,
    indices: Vec<usize>,
}

#[derive(Debug)]
struct Pair {
    total: i64,
    first: usize,
    second: usize,
}

struct Search<'a> {
    stock: &'a Stock,
    thicknesses: Vec<i64>,
    wanted: i64,
    tie: i64,
    keep: usize,
    /// The best so far, in order.
    kept: Vec<Key>,
}

impl Search<'_> {
    fn singles(&mut self) {
        for index in 0..self.thicknesses.len() {
            self.offer(self.thicknesses[index], &[index]);
        }
    }

    /// Every pair that there is, by its sum.
    fn pairs(&self) -> Vec<Pair> {
        let mut pairs = Vec::new();
        for first in 0..self.thicknesses.len() {
            let from = if self.stock.pieces()[first].count >= 2 { first } else { first + 1 };
            for second in from..self.thicknesses.len() {
                pairs.push(Pair { total: self.thicknesses[first] + self.thicknesses[second], first, second });
            }
        }
        pairs.sort_unstable_by_key(|pair| (pair.total, pair.first, pair.second));
        pairs
    }

    /// Goes through every `more` pieces not before `from`, in the stock's order, and completes each with a pair.
    fn with_prefix(&mut self, pairs: &[Pair], more: usize, prefix: &mut Vec<usize>, total: i64, from: usize) {
        // What is too thick already does not get thinner.
        if total > self.wanted && !self.could_enter(total - self.wanted, prefix.len() + 1) {
            return;
        }
        if more == 0 {
            self.complete(pairs, prefix, total);
            return;
        }
        for index in from..self.thicknesses.len() {
            if prefix.iter().filter(|&&taken| taken == index).count() < self.stock.pieces()[index].count {
                prefix.push(index);
                self.with_prefix(pairs, more - 1, prefix, total + self.thicknesses[index], index);
                prefix.pop();
            }
        }
    }

    fn complete(&mut self, pairs: &[Pair], prefix: &[usize], total: i64) {
        let missing = self.wanted - total;
        let pieces = prefix.len() + 2;
        let middle = pairs.partition_point(|pair| pair.total < missing);
        for pair in pairs[..middle].iter().rev() {
            if !self.could_enter(missing - pair.total, pieces) {
                break;
            }
            self.offer_pair(total, prefix, pair);
        }
        for pair in &pairs[middle..] {
            if !self.could_enter(pair.total - missing, pieces) {
                break;
            }
            self.offer_pair(total, prefix, pair);
        }
    }

    fn offer_pair(&mut self, total: i64, prefix: &[usize], pair: &Pair) {
        // Pieces in the stock's order: each stack is met once.
        if prefix.last().is_some_and(|&last| last > pair.first) {
            return;
        }
        let taken = prefix.iter().chain([&pair.first, &pair.second]).filter(|&&index| index == pair.first).count();
        if taken > self.stock.pieces()[pair.first].count {
            return;
        }
        let indices: Vec<usize> = prefix.iter().copied().chain([pair.first, pair.second]).collect();
        self.offer(total + pair.total, &indices);
    }

    /// False where a stack this far off, with this many pieces, is worse than all that are kept.
    fn could_enter(&self, distance: i64, pieces: usize) -> bool {
        match self.kept.last() {
            Some(worst) if self.kept.len() == self.keep => {
                (distance / self.tie, pieces) <= (worst.distance, worst.pieces)
            }
            _ => true,
        }
    }

    /// True where no stack of this many pieces or more can enter.
    fn is_settled(&self, pieces: usize) -> bool {
        !self.could_enter(0, pieces)
    }

    fn offer(&mut self, total: i64, indices: &[usize]) {
        let exact_distance = (total - self.wanted).abs();
        if !self.could_enter(exact_distance, indices.len()) {
            return;
        }
        let key = Key {
            distance: exact_distance / self.tie,
            pieces: indices.len(),
            uncertainty: uncertainty(self.stock, indices),
            exact_distance,
            indices: indices.to_vec(),
        };
        let place = self.kept.partition_point(|kept| *kept < key);
        self.kept.insert(place, key);
        self.kept.truncate(self.keep);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn told(stack: &Stack) -> Vec<(f64, usize)> {
        stack.layers.iter().map(|layer| (layer.piece.thickness.value, layer.count)).collect()
    }

    fn best(list: &str, wanted_mm: f64, pieces: usize) -> Stack {
        let stock = Stock::from_list(list, 0.05).unwrap();
        stacks(&stock, wanted_mm, &StackOptions { pieces, ..StackOptions::default() }).unwrap().remove(0)
    }

    #[test]
    fn a_stack_of_the_shops_pieces() {
        assert_eq!(told(&best("3.0,4.1,6.2,0.5x4", 7.2, 3)), [(6.2, 1), (0.5, 2)]);
        assert_eq!(told(&best("3.0,4.1,6.2,0.5x4", 7.2, 2)), [(3.0, 1), (4.1, 1)]);
        assert_eq!(told(&best("3.0,4.1,6.2,0.5x4", 7.2, 1)), [(6.2, 1)]);
    }

    #[test]
    fn fewer_pieces_win_a_tie_and_then_the_surer_ones() {
        assert_eq!(told(&best("2,3,5", 5.0, 3)), [(5.0, 1)]);
        let piece = |mm: f64, u: f64| Piece { thickness: Estimate::new(mm, u), count: 1, name: None };
        let stock = Stock::new(vec![piece(2.0, 0.1), piece(3.0, 0.1), piece(1.0, 0.02), piece(4.0, 0.02)]).unwrap();
        let found = stacks(&stock, 5.0, &StackOptions::default()).unwrap();
        assert_eq!(told(&found[0]), [(1.0, 1), (4.0, 1)]);
        assert_eq!(told(&found[1]), [(2.0, 1), (3.0, 1)]);
    }

    #[test]
    fn a_wider_tie_prefers_one_block_that_is_nearly_right() {
        let stock = Stock::from_list("8.01,5,3", 0.05).unwrap();
        let found = |tie_mm: f64| stacks(&stock, 8.0, &StackOptions { tie_mm, ..StackOptions::default() }).unwrap();
        assert_eq!(found(0.0)[0].piece_count(), 2);
        assert_eq!(found(0.05)[0].piece_count(), 1);
    }

    #[test]
    fn pieces_of_one_kind_share_their_error() {
        let stack = best("0.5x4", 1.5, 3);
        assert!((stack.total.standard_uncertainty - 0.15).abs() < 1e-12);
        let stack = best("3,4", 7.0, 2);
        assert!((stack.total.standard_uncertainty - 0.05 * 2.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn sums_of_decimal_fractions_are_exact() {
        assert_eq!(best("0.1x3", 0.3, 3).total.value, 0.3);
        assert_eq!(best("0.1002 in, 0.126 in, 0.750 in, 3.000 in", 3.9762 * 25.4, 4).total.value, 100.995_48);
    }

    #[test]
    fn what_cannot_be_gone_through_is_told() {
        let stock = Stock::from_list("1,2,3", 0.05).unwrap();
        for pieces in [0, 7] {
            let options = StackOptions { pieces, ..StackOptions::default() };
            assert_eq!(stacks(&stock, 3.0, &options), Err(SpacerError::PieceLimit { pieces }));
        }
        let long: Vec<String> = (0..400).map(|i| format!("{}", 1.0 + f64::from(i) * 0.013)).collect();
        let stock = Stock::from_list(&long.join(","), 0.05).unwrap();
        let options = StackOptions { pieces: 6, ..StackOptions::default() };
        assert!(matches!(stacks(&stock, 30.0, &options), Err(SpacerError::TooManyStacks { .. })));
    }

    /// All stacks, each looked at.
    fn brute_force(stock: &Stock, wanted_mm: f64, options: &StackOptions) -> Vec<Key> {
        fn grow(stock: &Stock, from: usize, left: usize, taken: &mut Vec<usize>, all: &mut Vec<Vec<usize>>) {
            if !taken.is_empty() {
                all.push(taken.clone());
            }
            if left == 0 {
                return;
            }
            for index in from..stock.pieces().len() {
                if taken.iter().filter(|&&t| t == index).count() < stock.pieces()[index].count {
                    taken.push(index);
                    grow(stock, index, left - 1, taken, all);
                    taken.pop();
                }
            }
        }
        let mut all = Vec::new();
        grow(stock, 0, options.pieces, &mut Vec::new(), &mut all);
        let tie = nanometres(options.tie_mm).max(1);
        let mut keys: Vec<Key> = all
            .into_iter()
            .map(|indices| {
                let total: i64 = indices.iter().map(|&i| nanometres(stock.pieces()[i].thickness.value)).sum();
                let exact_distance = (total - nanometres(wanted_mm)).abs();
                let uncertainty = uncertainty(stock, &indices);
                Key { distance: exact_distance / tie, pieces: indices.len(), uncertainty, exact_distance, indices }
            })
            .collect();
        keys.sort_by(|a, b| a.partial_cmp(b).unwrap());
        keys.truncate(options.stacks);
        keys
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, cases: 300, ..ProptestConfig::default() })]

        /// Tenths make many ties; hundredths of a percent of uncertainty part some of them.
        #[test]
        fn the_search_finds_what_looking_at_every_stack_finds(
            kinds in prop::collection::vec((1..60_u32, 1..4_usize, 1..4_u32), 1..9),
            wanted in 1..200_u32,
            pieces in 1..=5_usize,
            stacks_asked in 1..8_usize,
            tie in prop_oneof![Just(0.0), Just(0.25)],
        ) {
            let pieces_of = |&(tenths, count, u): &(u32, usize, u32)| Piece {
                thickness: Estimate::new(f64::from(tenths) / 10.0, f64::from(u) / 100.0), count, name: None,
            };
            let stock = Stock::new(kinds.iter().map(pieces_of).collect()).unwrap();
            let options = StackOptions { pieces, stacks: stacks_asked, tie_mm: tie };
            let wanted_mm = f64::from(wanted) / 10.0;
            let found = stacks(&stock, wanted_mm, &options).unwrap();
            let expected: Vec<Stack> = brute_force(&stock, wanted_mm, &options)
                .iter().map(|key| Stack::new(&stock, &key.indices)).collect();
            prop_assert_eq!(found, expected);
        }
    }
}
