//! The public API as a list of signatures, held against `tests/public-api.txt`: a change of either is seen in review.
//!
//! The list is read from the source (`syn`), so it needs no other toolchain: public items of public modules, items
//! of private modules where they are re-exported, public fields, variants, methods and trait implementations written
//! by hand. With `CONCHOID_REWRITE` set, the file is written instead of compared.

use std::collections::BTreeMap;
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

/// Lines of one module: of each item by its name, and of what it re-exports.
#[derive(Default)]
struct Module {
    items: BTreeMap<String, Vec<String>>,
    /// Implementations, by the name of their type.
    of_type: BTreeMap<String, Vec<String>>,
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

/// Reads a file, and the modules it declares; `lines` collects what is public under `path`.
fn walk(file: &Path, folder: &Path, path: &str, lines: &mut Vec<String>, shown: bool) -> Module {
    let source = std::fs::read_to_string(file).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let parsed = syn::parse_file(&source).unwrap_or_else(|e| panic!("{}: {e}", file.display()));
    let mut here = Module::default();
    let mut hidden: BTreeMap<String, Module> = BTreeMap::new();
    let mut uses: Vec<(Vec<String>, String)> = Vec::new();
    for item in &parsed.items {
        match item {
            Item::Mod(m) if m.content.is_none() && !for_tests(&m.attrs) => {
                let name = m.ident.to_string();
                let below = folder.join(&name);
                let flat = folder.join(format!("{name}.rs"));
                let (file, inner) = if flat.exists() { (flat, below) } else { (below.join("mod.rs"), below) };
                let open = shown && public(&m.vis);
                if open {
                    lines.push(format!("{path}::{name}"));
                }
                let module = walk(&file, &inner, &format!("{path}::{name}"), lines, open);
                // implementations for a type of this module may stand in a private one below it
                for (k, v) in &module.of_type {
                    here.of_type.entry(k.clone()).or_default().extend(v.clone());
                }
                hidden.insert(name, module);
            }
            Item::Use(u) if public(&u.vis) => leaves(&u.tree, &mut Vec::new(), &mut uses),
            _ => one(item, &mut here),
        }
    }
    if shown {
        for (name, of) in &here.items {
            lines.extend(of.iter().map(|l| format!("{path}: {l}")));
            lines.extend(here.of_type.get(name).into_iter().flatten().map(|l| format!("{path}: {l}")));
        }
        for (from, name) in uses {
            let module = from.first().and_then(|m| hidden.get(m));
            match module.and_then(|m| m.items.get(&name).map(|of| (m, of))) {
                Some((m, of)) => {
                    lines.extend(of.iter().map(|l| format!("{path}: {l}")));
                    lines.extend(m.of_type.get(&name).into_iter().flatten().map(|l| format!("{path}: {l}")));
                }
                None => lines.push(format!("{path}: use {}::{name}", from.join("::"))),
            }
        }
    }
    here
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
    let mut lines = Vec::new();
    walk(&root.join("src/lib.rs"), &root.join("src"), "conchoid", &mut lines, true);
    assert!(lines.len() > 500, "only {} lines: the source was not read", lines.len());
    lines.sort();
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
    both::<conchoid::fit::Design>();
    both::<conchoid::fit::linear::LinearFit>();
    both::<conchoid::fit::multinomial::MultinomialFit>();
    both::<conchoid::material::Stone>();
    both::<conchoid::material::Percussor>();
    both::<conchoid::plan::Candidates>();
    both::<conchoid::infer::OriginalEstimate>();
    both::<conchoid::table::TableOptions>();
    both::<conchoid::table::Row>();
}
