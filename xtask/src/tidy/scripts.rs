//! Finds functions in JavaScript and Python well enough to measure them.
//!
//! Neither reader is a parser of its language. They know what can hide a
//! brace or a line's indentation (strings, templates, comments) and no more.

use super::lengths::Function;

/// Functions of a Python file: from `def` to the last line that is indented
/// deeper than it.
pub fn python_functions(text: &str) -> Vec<Function> {
    let lines: Vec<&str> = text.lines().collect();
    let indent = |line: &str| line.len() - line.trim_start().len();
    let mut functions = Vec::new();
    for (index, line) in lines.iter().enumerate() {
        let Some(rest) = line.trim_start().strip_prefix("def ") else {
            continue;
        };
        let mut last = index;
        for (later, next) in lines.iter().enumerate().skip(index + 1) {
            // A closing bracket of the parameters may stand at the margin.
            let inside = indent(next) > indent(line) || next.trim_start().starts_with(')');
            if next.trim().is_empty() {
                continue;
            } else if !inside {
                break;
            }
            last = later;
        }
        functions.push(Function {
            name: rest.split('(').next().unwrap_or_default().to_owned(),
            line: index + 1,
            length: last + 1 - index,
        });
    }
    functions
}

/// Functions of a JavaScript file: braces that follow `=>` or the closing
/// parenthesis of a parameter list. The callback of a `describe` is a group
/// of tests and not measured.
pub fn javascript_functions(text: &str) -> Vec<Function> {
    let mut reader = Reader::new(text);
    while reader.step() {}
    reader.functions
}

/// An open bracket and what stood before it.
struct Open {
    bracket: char,
    line: usize,
    /// The line of text up to the bracket.
    before: String,
    function: bool,
}

struct Reader<'t> {
    rest: std::iter::Peekable<std::str::Chars<'t>>,
    line: usize,
    /// Code so far without strings and comments; enough of it to look back.
    code: String,
    stack: Vec<Open>,
    last_closed: Option<Open>,
    functions: Vec<Function>,
}

impl<'t> Reader<'t> {
    fn new(text: &'t str) -> Reader<'t> {
        Reader {
            rest: text.chars().peekable(),
            line: 1,
            code: String::new(),
            stack: Vec::new(),
            last_closed: None,
            functions: Vec::new(),
        }
    }

    fn next(&mut self) -> Option<char> {
        let c = self.rest.next();
        self.line += usize::from(c == Some('\n'));
        c
    }

    fn step(&mut self) -> bool {
        let Some(c) = self.next() else { return false };
        match c {
            '/' if self.rest.peek() == Some(&'/') => self.skip_to("\n"),
            '/' if self.rest.peek() == Some(&'*') => self.skip_to("*/"),
            '/' if self.expects_value() => self.skip_pattern(),
            '\'' | '"' => self.skip_string(c),
            '`' => self.skip_template(),
            '(' | '[' | '{' => self.open(c),
            ')' | ']' | '}' => self.close(c),
            _ => self.code.push(c),
        }
        true
    }

    /// True where a `/` begins a pattern and not a division.
    fn expects_value(&self) -> bool {
        let code = self.code.trim_end();
        code.ends_with("return")
            || code
                .chars()
                .last()
                .is_none_or(|c| "(,=:[!&|?{};+".contains(c))
    }

    fn skip_to(&mut self, end: &str) {
        let mut seen = String::new();
        while let Some(c) = self.next() {
            seen.push(c);
            // The first character is the second one of the comment's opening.
            if seen.len() > 1 && seen[1..].ends_with(end) {
                break;
            }
        }
        if end == "\n" {
            self.code.push('\n');
        }
    }

    fn skip_string(&mut self, quote: char) {
        while let Some(c) = self.next() {
            match c {
                '\\' => drop(self.next()),
                c if c == quote => break,
                _ => {}
            }
        }
        self.code.push('"');
    }

    fn skip_pattern(&mut self) {
        let mut in_class = false;
        while let Some(c) = self.next() {
            match c {
                '\\' => drop(self.next()),
                '[' => in_class = true,
                ']' => in_class = false,
                '/' if !in_class => break,
                _ => {}
            }
        }
        self.code.push('"');
    }

    /// Skips the text of a template up to its end or to the next `${`, whose
    /// code is read like any other and comes back here at its `}`.
    fn skip_template(&mut self) {
        while let Some(c) = self.next() {
            match c {
                '\\' => drop(self.next()),
                '`' => break,
                '$' if self.rest.peek() == Some(&'{') => {
                    self.next();
                    self.push('$', false);
                    self.code.push('{');
                    return;
                }
                _ => {}
            }
        }
        self.code.push('"');
    }

    fn open(&mut self, bracket: char) {
        let function = bracket == '{' && self.begins_function();
        self.push(bracket, function);
        self.code.push(bracket);
    }

    fn push(&mut self, bracket: char, function: bool) {
        // A function's name stands before its parameters, not before its brace.
        let parameters = self
            .last_closed
            .take()
            .filter(|_| function && !self.code.trim_end().ends_with("=>"));
        let before = self.code.rsplit('\n').next().unwrap_or_default();
        let (line, before) = match parameters {
            Some(parameters) => (parameters.line, parameters.before),
            None => (self.line, before.to_owned()),
        };
        self.stack.push(Open {
            bracket,
            line,
            before,
            function,
        });
    }

    fn begins_function(&self) -> bool {
        const NOT: [&str; 6] = ["if", "for", "while", "switch", "catch", "with"];
        let code = self.code.trim_end();
        if code.ends_with("=>") {
            return true;
        }
        let Some(parameters) = self.last_closed.as_ref().filter(|_| code.ends_with(')')) else {
            return false;
        };
        let before = parameters.before.trim_end().trim_end_matches(" await");
        let word = before.rsplit(|c: char| !c.is_alphanumeric() && c != '_');
        !NOT.contains(&word.into_iter().next().unwrap_or_default())
    }

    fn close(&mut self, bracket: char) {
        let Some(open) = self.stack.pop() else { return };
        if open.function && !open.before.contains("describe(") {
            self.functions.push(Function {
                name: open.before.trim().to_owned(),
                line: open.line,
                length: self.line + 1 - open.line,
            });
        }
        let back_in_template = open.bracket == '$';
        self.last_closed = Some(open);
        self.code.push(bracket);
        if back_in_template {
            self.skip_template();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn javascript(text: &str) -> Vec<(String, usize, usize)> {
        let functions = javascript_functions(text);
        functions
            .into_iter()
            .map(|f| (f.name, f.line, f.length))
            .collect()
    }

    fn expect(name: &str, line: usize, length: usize) -> (String, usize, usize) {
        (name.to_owned(), line, length)
    }

    #[test]
    fn javascript_functions_methods_and_arrows() {
        let text = "// {\nfunction a(b) {\n  return { c: 1 };\n}\nclass D {\n  e(f) {\n  }\n}\n\
            const g = (h) => {\n  if (h) {\n  }\n};\n";
        assert_eq!(
            javascript(text),
            [
                expect("function a", 2, 3),
                expect("e", 6, 2),
                expect("const g = (h) =>", 9, 4)
            ]
        );
    }

    #[test]
    fn parameters_over_several_lines_count() {
        let text = "function a(\n  b,\n  c,\n) {\n}\n";
        assert_eq!(javascript(text), [expect("function a", 1, 5)]);
    }

    #[test]
    fn braces_in_text_do_not_count() {
        let text = "function a() {\n  let b = '}' + \"{\" + /[}/]{/;\n  /* } */\n  \
            return html`<p>}${c.map((d) => {\n    return `}${d}`;\n  })}{</p>`;\n}\n";
        assert_eq!(
            javascript(text),
            [
                expect("return html{c.map((d) =>", 4, 3),
                expect("function a", 1, 7)
            ]
        );
    }

    #[test]
    fn groups_of_tests_are_not_functions() {
        let text = "test.describe('x', () => {\n  test('y', async () => {\n  });\n});\n";
        assert_eq!(javascript(text).len(), 1);
    }

    #[test]
    fn python_functions_by_indentation() {
        let text = "\"\"\"x\"\"\"\n\ndef a(\n    b,\n):\n    c\n\n    d\n\n\nclass E:\n    \
            def f(self):\n        g\n\n    h = 1\n";
        let found: Vec<_> = python_functions(text)
            .into_iter()
            .map(|f| (f.name, f.line, f.length))
            .collect();
        assert_eq!(found, [expect("a", 3, 6), expect("f", 12, 2)]);
    }
}
