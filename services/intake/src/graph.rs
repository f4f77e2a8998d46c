//! Small questions about what comes after what, on dense indexes.

/// Returns the indexes `0..count` so that each comes after all that lead to it, keeping their order where it is free.
///
/// # Errors
/// The indexes on a circle.
pub fn sorted(count: usize, links: &[(usize, usize)]) -> Result<Vec<usize>, Vec<usize>> {
    let mut before = vec![0_usize; count];
    let mut after: Vec<Vec<usize>> = vec![Vec::new(); count];
    for &(from, to) in links {
        before[to] += 1;
        after[from].push(to);
    }
    let mut ready: std::collections::BTreeSet<usize> = (0..count).filter(|index| before[*index] == 0).collect();
    let mut order = Vec::with_capacity(count);
    while let Some(index) = ready.pop_first() {
        order.push(index);
        for &to in &after[index] {
            before[to] -= 1;
            if before[to] == 0 {
                ready.insert(to);
            }
        }
    }
    if order.len() == count {
        return Ok(order);
    }
    // Every index that is left has one that is left before it: walking back ends in a circle.
    let mut walk: Vec<usize> = (0..count).filter(|index| before[*index] > 0).take(1).collect();
    loop {
        let last = walk[walk.len() - 1];
        let previous = links.iter().find(|(from, to)| *to == last && before[*from] > 0).map(|(from, _)| *from);
        let Some(previous) = previous else { return Err(walk) };
        if let Some(start) = walk.iter().position(|index| *index == previous) {
            let mut circle = walk.split_off(start);
            circle.reverse();
            return Err(circle);
        }
        walk.push(previous);
    }
}

/// Tells which of `count` indexes are reached from `from` over `links`, itself included.
pub fn reached(count: usize, links: &[(usize, usize)], from: usize) -> Vec<bool> {
    let mut after: Vec<Vec<usize>> = vec![Vec::new(); count];
    for &(from, to) in links {
        after[from].push(to);
    }
    let mut seen = vec![false; count];
    let mut stack = vec![from];
    while let Some(index) = stack.pop() {
        if !std::mem::replace(&mut seen[index], true) {
            stack.extend(&after[index]);
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sorts_and_finds_circles() {
        assert_eq!(sorted(3, &[(2, 0), (0, 1)]), Ok(vec![2, 0, 1]));
        assert_eq!(sorted(3, &[]), Ok(vec![0, 1, 2]));
        let mut circle = sorted(4, &[(0, 1), (1, 2), (2, 1), (2, 3)]).unwrap_err();
        circle.sort_unstable();
        assert_eq!(circle, [1, 2]);
        assert_eq!(sorted(1, &[(0, 0)]), Err(vec![0]));
    }

    #[test]
    fn reaches() {
        assert_eq!(reached(4, &[(0, 1), (1, 2), (3, 0)], 0), [true, true, true, false]);
    }
}
