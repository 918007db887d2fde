//! The public API as a list of signatures, held against `tests/public-api.txt`: a change of either is seen in review.
//!
//! The list is read from the source (`syn`), so it needs no other toolchain: public items of public modules, items of
//! private modules where they are re-exported, public fields, variants, methods and trait implementations that name no
//! private type and are written by hand, and the types that `vocabulary!` makes. With `CONCHOID_REWRITE` set, the file is written instead of compared.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use syn::{Fields, ImplItem, Item, ReturnType, TraitItem, UseTree, Visibility};

/// Tokens as text, with the spaces of a person.
fn text(tokens: impl quote::ToTokens) -> String {
    let mut out = String::new();
    for piece in tokens.to_token_stream().to_string().split_whitespace() {
        let tight = [")", ",", ">", ";", ":", "]", "?", ".", "::", "<", "(", "["];
        let open = ["(", "&", "<", "[", "::", "!", "'"];
        let glue = out.is_empty()
            || tight.iter().any(|t| piece.starts_with(t))
            || open.iter().any(|o| out.ends_with(o));
        if !glue {
            out.push(' ');
        }
        out.push_str(piece);
    }
    out.replace(":", ": ").replace(": : ", "::").replace(":  ", ": ").replace(",)", ")")
}

fn public(v: &Visibility) -> bool {
    matches!(v, Visibility::Public(_))
}

fn for_tests(attrs: &[syn::Attribute]) -> bool {
    attrs.iter().any(|a| a.path().is_ident("cfg") && text(&a.meta).contains("test"))
}

/// One module: lines of each item by its name, and what it re-exports.
#[derive(Default)]
struct Module {
    items: BTreeMap<String, Vec<String>>,
    /// Implementations, by the name of their type, those of modules below included.
    of_type: BTreeMap<String, Vec<String>>,
    /// What is re-exported: the path as written, and the name.
    uses: Vec<(Vec<String>, String)>,
    /// Types and traits that are not public.
    private: Vec<String>,
    /// Whether it can be named from outside.
    open: bool,
}

impl Module {
    fn item(&mut self, name: impl ToString, line: String) {
        self.items.entry(name.to_string()).or_default().push(line);
    }
}

fn signature(sig: &syn::Signature) -> String {
    let mut sig = sig.clone();
    // a trailing comma is a matter of layout
    sig.inputs.pop_punct();
    sig.generics.params.pop_punct();
    if let ReturnType::Type(_, t) = &sig.output
        && text(t) == "()"
    {
        sig.output = ReturnType::Default;
    }
    text(&sig)
}

/// Reads a file and the modules it declares into `all`, by their paths.
fn walk(file: &Path, folder: &Path, path: &str, open: bool, all: &mut BTreeMap<String, Module>) {
    let source = std::fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let parsed = syn::parse_file(&source).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let here = read(&parsed.items, folder, path, open, all);
    all.insert(path.to_string(), here);
}

fn read(items: &[Item], folder: &Path, path: &str, open: bool, all: &mut BTreeMap<String, Module>) -> Module {
    let mut here = Module { open, ..Module::default() };
    for item in items {
        match item {
            Item::Struct(s) if !public(&s.vis) => here.private.push(s.ident.to_string()),
            Item::Enum(e) if !public(&e.vis) => here.private.push(e.ident.to_string()),
            Item::Trait(t) if !public(&t.vis) => here.private.push(t.ident.to_string()),
            Item::Mod(m) if !for_tests(&m.attrs) => {
                let name = m.ident.to_string();
                let (inner, below) = (format!("{path}::{name}"), folder.join(&name));
                let open = open && public(&m.vis);
                if let Some((_, items)) = &m.content {
                    let module = read(items, &below, &inner, open, all);
                    all.insert(inner.clone(), module);
                } else {
                    let flat = folder.join(format!("{name}.rs"));
                    let file = if flat.exists() { flat } else { below.join("mod.rs") };
                    walk(&file, &below, &inner, open, all);
                }
                // implementations for a type of this module may stand in one below it
                for (k, v) in all[&inner].of_type.clone() {
                    here.of_type.entry(k).or_default().extend(v);
                }
            }
            Item::Use(u) if public(&u.vis) => leaves(&u.tree, &mut Vec::new(), &mut here.uses),
            Item::Macro(m) if m.mac.path.is_ident("vocabulary") => vocabulary(&m.mac.tokens, &mut here),
            _ => one(item, &mut here),
        }
    }
    here
}

/// The lines of an item of a module, followed through re-exports.
fn lines_of(all: &BTreeMap<String, Module>, path: &str, name: &str) -> Option<Vec<String>> {
    let module = all.get(path)?;
    let of_type = module.of_type.get(name).into_iter().flatten().cloned();
    if let Some(of) = module.items.get(name) {
        return Some(of.iter().cloned().chain(of_type).collect());
    }
    let (from, _) = module.uses.iter().find(|(_, n)| n == name)?;
    let mut lines = lines_of(all, &place(path, from), name)?;
    // what files beside that of the type implement for it
    let beside: Vec<String> = of_type.filter(|l| !lines.contains(l)).collect();
    lines.extend(beside);
    Some(lines)
}

/// Where a path written in a module leads.
fn place(path: &str, from: &[String]) -> String {
    let mut at: Vec<&str> = path.split("::").collect();
    for step in from {
        match step.as_str() {
            "crate" => at.truncate(1),
            "self" => {}
            "super" => drop(at.pop()),
            other => at.push(other),
        }
    }
    at.join("::")
}

/// What the macro `vocabulary!` of src/strike.rs makes: an enum of names, and what is implemented for each.
fn vocabulary(tokens: &impl quote::ToTokens, module: &mut Module) {
    let source = tokens.to_token_stream().to_string();
    // words and signs outside string literals
    let (mut words, mut word, mut quoted, mut escaped) = (Vec::new(), String::new(), false, false);
    for c in source.chars() {
        match c {
            _ if escaped => escaped = false,
            '\\' if quoted => escaped = true,
            '"' => quoted = !quoted,
            _ if quoted => {}
            c if c.is_alphanumeric() || c == '_' => word.push(c),
            c => {
                words.extend((!word.is_empty()).then(|| std::mem::take(&mut word)));
                words.extend((!c.is_whitespace()).then(|| c.to_string()));
            }
        }
    }
    let at = words.iter().position(|w| w == "enum").expect("an enum");
    let name = words[at + 1].clone();
    module.item(&name, format!("enum {name} (vocabulary)"));
    for pair in words[at..].windows(2).filter(|p| p[1] == "=" && p[0] != "doc") {
        module.item(&name, format!("{name}::{}", pair[0]));
    }
    for of in ["std::str::FromStr", "std::fmt::Display"] {
        module.of_type.entry(name.clone()).or_default().push(format!("impl {of} for {name}"));
    }
}

/// Every public line, each under the one path that shows it.
fn listed(all: &BTreeMap<String, Module>) -> Vec<String> {
    let mut lines = Vec::new();
    for (path, module) in all.iter().filter(|(_, m)| m.open) {
        if path != "conchoid" {
            lines.push(path.clone());
        }
        let own = module.items.keys();
        for name in own.chain(module.uses.iter().map(|(_, name)| name)) {
            match lines_of(all, path, name) {
                Some(of) => lines.extend(of.iter().map(|l| format!("{path}: {l}"))),
                None => lines.push(format!("{path}: use {name}")),
            }
        }
    }
    // no caller can use what is implemented for or from a private type; rustdoc leaves it out too
    let seen: BTreeSet<&str> = lines.iter().filter_map(|l| named(l)).collect();
    let own: BTreeSet<&str> = all.values().flat_map(|m| &m.private).map(String::as_str).collect();
    let hidden = |l: &String| {
        let Some((_, of)) = l.split_once(": impl ") else { return false };
        of.split(|c: char| !c.is_alphanumeric() && c != '_').any(|w| own.contains(w) && !seen.contains(w))
    };
    let mut lines: Vec<String> = lines.iter().filter(|l| !hidden(l)).cloned().collect();
    lines.sort();
    lines
}

/// The name of the type that a line declares.
fn named(line: &str) -> Option<&str> {
    let (_, item) = line.split_once(": ")?;
    let rest = ["struct ", "enum ", "trait ", "type "].iter().find_map(|kind| item.strip_prefix(kind))?;
    rest.split(|c: char| !c.is_alphanumeric() && c != '_').next()
}

/// The names a `pub use` brings, each with the path it comes from.
fn leaves(tree: &UseTree, from: &mut Vec<String>, out: &mut Vec<(Vec<String>, String)>) {
    match tree {
        UseTree::Path(p) => {
            from.push(p.ident.to_string());
            leaves(&p.tree, from, out);
            from.pop();
        }
        UseTree::Name(n) => out.push((from.clone(), n.ident.to_string())),
        UseTree::Rename(r) => out.push((from.clone(), r.rename.to_string())),
        UseTree::Glob(_) => out.push((from.clone(), "*".to_string())),
        UseTree::Group(g) => g.items.iter().for_each(|t| leaves(t, from, out)),
    }
}

fn fields(name: &str, fields: &Fields, module: &mut Module) {
    for (i, f) in fields.iter().enumerate().filter(|(_, f)| public(&f.vis)) {
        let field = f.ident.as_ref().map_or(i.to_string(), ToString::to_string);
        module.item(name, format!("{name}.{field}: {}", text(&f.ty)));
    }
}

fn marked(attrs: &[syn::Attribute]) -> &'static str {
    if attrs.iter().any(|a| a.path().is_ident("non_exhaustive")) { " (non-exhaustive)" } else { "" }
}

fn one(item: &Item, module: &mut Module) {
    match item {
        Item::Struct(s) if public(&s.vis) => {
            let name = s.ident.to_string();
            module.item(&name, format!("struct {name}{}{}", text(&s.generics), marked(&s.attrs)));
            fields(&name, &s.fields, module);
        }
        Item::Enum(e) if public(&e.vis) => {
            let name = e.ident.to_string();
            module.item(&name, format!("enum {name}{}{}", text(&e.generics), marked(&e.attrs)));
            for v in &e.variants {
                let inner = if v.fields.is_empty() { String::new() } else { text(strip(&v.fields)) };
                module.item(&name, format!("{name}::{} {inner}", v.ident).trim_end().to_string());
            }
        }
        Item::Trait(t) if public(&t.vis) => {
            let name = t.ident.to_string();
            module.item(&name, format!("trait {name}{}", text(&t.generics)));
            for i in &t.items {
                if let TraitItem::Fn(f) = i {
                    let given = if f.default.is_some() { " (has a default)" } else { "" };
                    module.item(&name, format!("{name}::{}{given}", signature(&f.sig)));
                }
            }
        }
        Item::Fn(f) if public(&f.vis) => module.item(&f.sig.ident, signature(&f.sig)),
        Item::Const(c) if public(&c.vis) => {
            module.item(&c.ident, format!("const {}: {}", c.ident, text(&c.ty)));
        }
        Item::Static(c) if public(&c.vis) => {
            module.item(&c.ident, format!("static {}: {}", c.ident, text(&c.ty)));
        }
        Item::Type(t) if public(&t.vis) => {
            module.item(&t.ident, format!("type {}{} = {}", t.ident, text(&t.generics), text(&t.ty)));
        }
        Item::Impl(i) if !for_tests(&i.attrs) => {
            let of = text(&i.self_ty);
            let name = of.split('<').next().unwrap_or_default().to_string();
            let lines = module.of_type.entry(name).or_default();
            match &i.trait_ {
                Some((path, _)) => lines.push(format!("impl {} for {of}", text(path))),
                None => {
                    for item in &i.items {
                        match item {
                            ImplItem::Fn(f) if public(&f.vis) => {
                                lines.push(format!("{of}::{}", signature(&f.sig)));
                            }
                            ImplItem::Const(c) if public(&c.vis) => {
                                lines.push(format!("{of}::const {}: {}", c.ident, text(&c.ty)));
                            }
                            _ => {}
                        }
                    }
                }
            }
        }
        _ => {}
    }
}

/// Fields without their documentation and attributes.
fn strip(fields: &Fields) -> Fields {
    let mut fields = fields.clone();
    fields.iter_mut().for_each(|f| f.attrs.clear());
    fields
}

#[test]
fn the_public_api_is_as_listed() {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let mut all = BTreeMap::new();
    walk(&root.join("src/lib.rs"), &root.join("src"), "conchoid", true, &mut all);
    let lines = listed(&all);
    assert!(lines.len() > 500, "only {} lines: the source was not read", lines.len());
    assert!(lines.iter().any(|l| l == "conchoid::flake: Portion::Proximal"), "macro-made types are seen");
    let is = lines.join("\n") + "\n";
    let listed = root.join("tests/public-api.txt");
    if std::env::var_os("CONCHOID_REWRITE").is_some() {
        std::fs::write(&listed, &is).unwrap();
    }
    let was = std::fs::read_to_string(&listed).unwrap_or_default();
    if is != was {
        let (old, new): (Vec<&str>, Vec<&str>) = (was.lines().collect(), is.lines().collect());
        let gone: Vec<_> = old.iter().filter(|l| !new.contains(l)).map(|l| format!("- {l}")).collect();
        let come: Vec<_> = new.iter().filter(|l| !old.contains(l)).map(|l| format!("+ {l}")).collect();
        panic!(
            "the public API changed; if that is meant, note it in CHANGELOG.md and run this test with \
             CONCHOID_REWRITE=1\n{}",
            [gone, come].concat().join("\n")
        );
    }
}

/// Values that programs keep may be sent between threads and shared.
#[test]
fn values_are_send_and_sync() {
    fn both<T: Send + Sync>() {}
    both::<conchoid::Error>();
    both::<conchoid::calibration::Calibration>();
    both::<conchoid::predict::Predictor>();
    both::<conchoid::predict::Estimate>();
    both::<conchoid::predict::Predictive>();
    both::<conchoid::predict::Caution>();
    both::<conchoid::strike::Strike>();
    both::<conchoid::flake::Flake>();
    both::<conchoid::form::Form>();
    both::<conchoid::material::Stone>();
    both::<conchoid::material::PercussorMaterial>();
    both::<conchoid::plan::Experiment>();
    both::<conchoid::infer::OriginalEstimate>();
    both::<conchoid::table::TableOptions>();
    both::<conchoid::table::Row>();
}
