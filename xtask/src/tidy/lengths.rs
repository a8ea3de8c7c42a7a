//! Functions stay under 71 lines and files under 601, in every language
//! that is written here by hand.

use super::tree::File;
use super::{Complaint, Tree, scripts};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

const FUNCTION_LINES: usize = 70;
const FILE_LINES: usize = 600;

/// A function in some language, as far as its length matters.
#[derive(Debug, PartialEq, Eq)]
pub struct Function {
    /// Its name, or what stands for it.
    pub name: String,
    /// Line of its first word, counted from 1.
    pub line: usize,
    /// Lines from there to its end, both included.
    pub length: usize,
}

/// Measures all files of code.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let mut complaints = Vec::new();
    for file in tree.own(&["rs", "js", "mjs", "css", "html", "py", "sh", ""]) {
        if file.extension().is_empty() && !file.text.starts_with("#!") {
            continue; // licences and the like
        }
        let lines = file.text.lines().count();
        if lines > FILE_LINES {
            complaints.push(Complaint::new(
                &file.path,
                FILE_LINES + 1,
                format!("the file has {lines} lines, the limit is {FILE_LINES}"),
                "split it where the subject changes",
            ));
        }
        match functions(file) {
            Ok(functions) => complaints.extend(too_long(&file.path, &functions)),
            Err(complaint) => complaints.push(complaint),
        }
    }
    complaints
}

fn too_long(path: &str, functions: &[Function]) -> Vec<Complaint> {
    let long = functions.iter().filter(|f| f.length > FUNCTION_LINES);
    let complain = |f: &Function| {
        let what = format!(
            "the function '{}' has {} lines, the limit is {FUNCTION_LINES}",
            f.name, f.length
        );
        Complaint::new(path, f.line, what, "give its parts names of their own")
    };
    long.map(complain).collect()
}

fn functions(file: &File) -> Result<Vec<Function>, Complaint> {
    match file.extension() {
        "rs" => rust_functions(file),
        "js" | "mjs" => Ok(scripts::javascript_functions(&file.text)),
        "py" => Ok(scripts::python_functions(&file.text)),
        _ => Ok(Vec::new()),
    }
}

fn rust_functions(file: &File) -> Result<Vec<Function>, Complaint> {
    let syntax = syn::parse_file(&file.text).map_err(|error| {
        let line = error.span().start().line;
        let what = format!("not readable as Rust: {error}");
        Complaint::new(&file.path, line, what, "correct it")
    })?;
    let mut found = Found(Vec::new());
    found.visit_file(&syntax);
    Ok(found.0)
}

/// Collects functions, methods and functions inside functions.
struct Found(Vec<Function>);

impl Found {
    fn add(&mut self, signature: &syn::Signature, block: &syn::Block) {
        let first = signature.span().start().line;
        let last = block.brace_token.span.close().end().line;
        self.0.push(Function {
            name: signature.ident.to_string(),
            line: first,
            length: last + 1 - first,
        });
    }
}

impl<'ast> Visit<'ast> for Found {
    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        self.add(&item.sig, &item.block);
        visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        self.add(&item.sig, &item.block);
        visit::visit_impl_item_fn(self, item);
    }

    fn visit_trait_item_fn(&mut self, item: &'ast syn::TraitItemFn) {
        if let Some(block) = &item.default {
            self.add(&item.sig, block);
        }
        visit::visit_trait_item_fn(self, item);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whats(path: &str, text: &str) -> Vec<String> {
        let complaints = check(&Tree::of(&[(path, text)]));
        complaints
            .iter()
            .map(|c| format!("{}: {}", c.line, c.what))
            .collect()
    }

    fn rust_function(lines: usize) -> String {
        format!(
            "//! x\nfn long() {{\n{}}}\n",
            "    x();\n".repeat(lines - 2)
        )
    }

    #[test]
    fn seventy_lines_pass_and_seventy_one_do_not() {
        assert_eq!(whats("a.rs", &rust_function(70)), Vec::<String>::new());
        assert_eq!(
            whats("a.rs", &rust_function(71)),
            ["2: the function 'long' has 71 lines, the limit is 70"]
        );
    }

    #[test]
    fn methods_trait_defaults_and_test_functions_count_too() {
        let body = "x();\n".repeat(80);
        let method = format!("struct S;\nimpl S {{ fn m(&self) {{\n{body}}} }}\n");
        let default = format!("trait T {{ fn d(&self) {{\n{body}}} }}\n");
        let test = format!("mod tests {{\n#[test]\nfn t() {{\n{body}}} }}\n");
        for text in [method, default, test] {
            assert_eq!(whats("a.rs", &text).len(), 1, "{text}");
        }
    }

    #[test]
    fn files_of_more_than_six_hundred_lines_are_found() {
        assert!(whats("a.css", &"a{}\n".repeat(600)).is_empty());
        assert_eq!(
            whats("a.css", &"a{}\n".repeat(601)),
            ["601: the file has 601 lines, the limit is 600"]
        );
        assert!(whats("vendor/a.css", &"a{}\n".repeat(601)).is_empty());
        assert!(whats("LICENSE-APACHE", &"word\n".repeat(601)).is_empty());
        assert_eq!(
            whats("check", &format!("#!/bin/sh\n{}", "x\n".repeat(601))).len(),
            1
        );
    }

    #[test]
    fn unreadable_rust_is_a_complaint() {
        assert!(whats("a.rs", "fn (")[0].contains("not readable as Rust"));
    }
}
