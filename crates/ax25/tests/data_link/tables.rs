//! How the tables of states (`states.csv`) and the dialogues of their cells (`cells.txt`) are
//! written. Also part of `xtask`, which makes a page of them.

/// A row of the tables: one cell.
#[derive(Clone, Copy, Debug)]
pub struct Row<'a> {
    /// State and number, as `3.07`.
    pub cell: &'a str,
    /// The next state as drawn.
    pub next: &'a str,
    /// The marks of what is doubtful in the drawing.
    pub marks: &'a str,
}

/// All cells.
pub fn rows(tables: &str) -> impl Iterator<Item = Row<'_>> {
    tables.lines().skip(1).map(|line| {
        let cell = line.split(',').next().unwrap_or_default();
        // The last two columns hold no comma; those before may.
        let mut last = line.rsplitn(3, ',');
        let (marks, next) = (last.next().unwrap_or(""), last.next().unwrap_or(""));
        Row { cell, next, marks }
    })
}

/// The parts of each dialogue: cell, before, what happens, what comes, state after and, if it
/// ends in another state than is drawn, the mark of the reading.
pub fn dialogues(text: &str) -> impl Iterator<Item = Vec<&str>> {
    let lines = text.lines();
    let lines = lines.filter(|line| !line.starts_with('#') && !line.is_empty());
    lines.map(|line| line.split('|').map(str::trim).collect())
}
