//! Words: names that people give, compared and checked; vocabularies, whose members stand in one place each; and how the
//! text of a class is read, in a table or elsewhere.

use crate::error::{Error, Result};

/// The longest name (of a core, a knapper, a percussor, a stone) that is accepted, in characters. This crate's choice, no source.
pub(crate) const LONGEST_NAME: usize = 64;

/// Whether two names are the same but for case, surrounding blanks, and `-`, `_` or a space between words.
pub(crate) fn same_name(written: &str, name: &str) -> bool {
    let plain = |b: u8| match b {
        b' ' | b'-' => b'_',
        other => other.to_ascii_lowercase(),
    };
    let written = written.trim();
    written.len() == name.len() && written.bytes().zip(name.bytes()).all(|(a, b)| plain(a) == plain(b))
}

/// The text without surrounding blanks, if it can serve as a name: 1 to 64 characters on one line.
pub(crate) fn check_name<'a>(field: &str, text: &'a str) -> Result<&'a str> {
    let name = text.trim();
    let length = name.chars().take(LONGEST_NAME + 1).count();
    if length == 0 || length > LONGEST_NAME {
        return Err(Error::invalid(
            field,
            format!("a name has 1 to {LONGEST_NAME} characters, this has {}", name.chars().count()),
        ));
    }
    if name.chars().any(char::is_control) {
        return Err(Error::invalid(field, "a name stands on one line, without control characters"));
    }
    Ok(name)
}

/// Declares a vocabulary: an enum whose names stand here once and serve `FromStr`, `Display`, serde, the
/// messages and the column it is recorded in. Further spellings after `|` are read, never written.
macro_rules! vocabulary {
    (
        $(#[$meta:meta])*
        $vis:vis enum $Name:ident in $column:literal {
            $( $(#[$vmeta:meta])* $Variant:ident = $name:literal $(| $other:literal)* , )+
        }
    ) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        $vis enum $Name {
            $( $(#[$vmeta])* $Variant, )+
        }

        impl $Name {
            /// Every member, in the order of declaration.
            #[allow(dead_code)]
            pub(crate) const ALL: &'static [$Name] = &[$($Name::$Variant),+];
            /// The names of all members, in the same order.
            pub(crate) const NAMES: &'static [&'static str] = &[$($name),+];
            /// The column in which it is recorded.
            #[allow(dead_code)]
            pub(crate) const COLUMN: &'static str = $column;

            /// How its column is read.
            #[allow(dead_code)]
            pub(crate) const KIND: $crate::vocabulary::ClassKind =
                $crate::vocabulary::ClassKind::Vocabulary(|text| $Name::find(text).map($Name::name), $Name::NAMES);

            /// The name, as a table holds it.
            pub(crate) const fn name(self) -> &'static str {
                match self { $( $Name::$Variant => $name, )+ }
            }

            /// The member of this name, whatever its case.
            pub(crate) fn find(text: &str) -> Option<Self> {
                $(
                    if $crate::vocabulary::same_name(text, $name)
                        $(|| $crate::vocabulary::same_name(text, $other))*
                    {
                        return Some($Name::$Variant);
                    }
                )+
                None
            }
        }

        impl std::str::FromStr for $Name {
            type Err = $crate::error::Error;
            fn from_str(text: &str) -> $crate::error::Result<Self> {
                $Name::find(text).ok_or_else(|| {
                    $crate::error::Error::unknown_name($column, text.trim(), $Name::NAMES.iter().copied())
                })
            }
        }

        impl std::fmt::Display for $Name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.name())
            }
        }

        impl serde::Serialize for $Name {
            fn serialize<S: serde::Serializer>(&self, s: S) -> std::result::Result<S::Ok, S::Error> {
                s.serialize_str(self.name())
            }
        }

        impl<'de> serde::Deserialize<'de> for $Name {
            fn deserialize<D: serde::Deserializer<'de>>(d: D) -> std::result::Result<Self, D::Error> {
                <String as serde::Deserialize>::deserialize(d)?.parse().map_err(serde::de::Error::custom)
            }
        }
    };
}
pub(crate) use vocabulary;

/// Yes or no as a class, for the columns that hold one.
pub(crate) const fn yes_no(value: bool) -> &'static str {
    if value { "yes" } else { "no" }
}

/// How the text of a class is read.
#[derive(Debug, Clone, Copy)]
pub(crate) enum ClassKind {
    /// Kept as written.
    Label,
    /// Put into lower case.
    Name,
    /// A member of a vocabulary, by its name.
    Vocabulary(fn(&str) -> Option<&'static str>, &'static [&'static str]),
    /// A member of a vocabulary, or any other entry in lower case.
    OpenVocabulary(fn(&str) -> Option<&'static str>),
    /// Yes or no.
    YesNo,
}

impl ClassKind {
    /// What the text says in our words; `lower` is where a name is put into lower case.
    ///
    /// # Errors
    /// [`Error::Invalid`] for a text that cannot be a name, [`Error::UnknownName`] for one that is not in the vocabulary.
    pub(crate) fn read<'t>(self, column: &str, text: &'t str, lower: &'t mut String) -> Result<&'t str> {
        match self {
            ClassKind::Label => check_name(column, text),
            ClassKind::Name => lower_case(column, text, lower),
            ClassKind::OpenVocabulary(find) => match find(text) {
                Some(name) => Ok(name),
                None => lower_case(column, text, lower),
            },
            ClassKind::Vocabulary(find, names) => {
                find(text).ok_or_else(|| Error::unknown_name(column, text, names.iter().copied()))
            }
            ClassKind::YesNo => {
                let is = |names: [&str; 5]| names.iter().any(|n| same_name(text, n));
                match (is(["yes", "y", "true", "1", "present"]), is(["no", "n", "false", "0", "absent"])) {
                    (false, false) => Err(Error::unknown_name(column, text, ["yes", "no"])),
                    (yes, _) => Ok(yes_no(yes)),
                }
            }
        }
    }
}

/// A name in lower case.
fn lower_case<'t>(column: &str, text: &'t str, lower: &'t mut String) -> Result<&'t str> {
    let name = check_name(column, text)?;
    if name.bytes().all(|b| b.is_ascii() && !b.is_ascii_uppercase()) {
        return Ok(name);
    }
    lower.clear();
    lower.extend(name.chars().flat_map(char::to_lowercase));
    // a letter may become two
    check_name(column, lower)
}
