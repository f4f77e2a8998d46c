//! A small drawing of what comes after what: a row for each operation, a rail for each that others still wait for.
//!
//! `o` is the operation; a line from the left or right joins it to the rails of what it follows directly.

use std::collections::BTreeMap;

use fitup_proto::v1;

/// Returns the operations of an order so that each comes after what it follows, keeping their order where it is free.
pub fn sorted(order: &v1::Order) -> Vec<&v1::Operation> {
    let mut left: Vec<&v1::Operation> = order.operations.iter().collect();
    let mut sorted: Vec<&v1::Operation> = Vec::new();
    while !left.is_empty() {
        let is_free = |operation: &&v1::Operation| {
            order.links.iter().all(|link| link.to != operation.id || !left.iter().any(|other| other.id == link.from))
        };
        // Orders have no circles; if one had, it is drawn as it stands.
        let next = left.iter().position(is_free).unwrap_or(0);
        sorted.push(left.remove(next));
    }
    sorted
}

/// Draws an order.
pub fn draw(order: &v1::Order) -> String {
    let operations = sorted(order);
    let row_of: BTreeMap<&str, usize> =
        operations.iter().enumerate().map(|(row, operation)| (operation.id.as_str(), row)).collect();
    let links =
        order.links.iter().filter_map(|link| Some((*row_of.get(link.from.as_str())?, *row_of.get(link.to.as_str())?)));
    let links: Vec<(usize, usize)> = links.filter(|(from, to)| from < to).collect();
    let last_use = |row: usize| links.iter().filter(|(from, _)| *from == row).map(|(_, to)| *to).max();
    // Which operation holds which rail.
    let mut rails: Vec<Option<usize>> = Vec::new();
    let mut drawn: Vec<Vec<char>> = Vec::new();
    for row in 0..operations.len() {
        let joins: Vec<usize> =
            (0..rails.len()).filter(|&rail| rails[rail].is_some_and(|from| links.contains(&(from, row)))).collect();
        let mut line: Vec<char> = Vec::new();
        for rail in &rails {
            line.extend([if rail.is_some() { '|' } else { ' ' }, ' ']);
        }
        // Rails that end here are free for it.
        for &rail in &joins {
            if rails[rail].and_then(last_use) == Some(row) {
                rails[rail] = None;
            }
        }
        let free = rails.iter().position(Option::is_none).unwrap_or(rails.len());
        if free == rails.len() {
            rails.push(None);
            line.extend([' ', ' ']);
        }
        for &rail in &joins {
            let (first, last) = (rail.min(free) * 2, rail.max(free) * 2);
            for cell in &mut line[first..last] {
                if *cell == ' ' {
                    *cell = '-';
                }
            }
        }
        for &rail in &joins {
            line[rail * 2] = '+';
        }
        line[free * 2] = 'o';
        rails[free] = last_use(row).map(|_| row);
        drawn.push(line);
    }
    let width = operations.iter().map(|operation| operation.id.chars().count()).max().unwrap_or(0);
    let row = |(operation, line): (&&v1::Operation, &Vec<char>)| {
        let line: String = line.iter().collect();
        format!("{:<width$}  {}", operation.id, line.trim_end())
    };
    operations.iter().zip(&drawn).map(row).collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn order(ids: &[&str], links: &[(&str, &str)]) -> v1::Order {
        v1::Order {
            operations: ids.iter().map(|id| v1::Operation { id: (*id).into(), ..Default::default() }).collect(),
            links: links
                .iter()
                .map(|(from, to)| v1::Link { from: (*from).into(), to: (*to).into(), ..Default::default() })
                .collect(),
            ..Default::default()
        }
    }

    #[test]
    fn a_diamond() {
        let drawn = draw(&order(&["a", "b", "c", "d"], &[("a", "b"), ("a", "c"), ("b", "d"), ("c", "d")]));
        assert_eq!(drawn, "a  o\nb  +-o\nc  o |\nd  o-+");
    }

    #[test]
    fn a_chain_is_one_rail_and_others_go_past() {
        let drawn = draw(&order(&["c", "a", "b", "x"], &[("a", "b"), ("b", "c")]));
        assert_eq!(drawn, "a  o\nb  o\nc  o\nx  o");
        let drawn = draw(&order(&["a", "b", "c", "d"], &[("a", "d"), ("b", "c"), ("c", "d")]));
        assert_eq!(drawn, "a  o\nb  | o\nc  | o\nd  o-+");
    }
}
