//! The logbook's import: what is taken comes back the same from an export, what is not leaves nothing behind.

use std::cell::RefCell;

use narrows::logbook::{Form, Imported, Logbook};

/// A logbook that holds nothing yet, in a folder of its own. Making one takes far longer than refusing a text, so that it is kept
/// until something was imported into it.
struct Empty {
    book: Logbook,
    exported: String,
    _folder: tempfile::TempDir,
}

impl Empty {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let book = Logbook::open_or_create(&folder.path().join("logbook.db")).unwrap();
        let exported = exported(&book, Form::JsonLines);
        Self { book, exported, _folder: folder }
    }
}

fn exported(book: &Logbook, form: Form) -> String {
    let mut text = Vec::new();
    book.export(form, &mut text).unwrap();
    String::from_utf8(text).unwrap()
}

thread_local! {
    static EMPTY: RefCell<Option<Empty>> = const { RefCell::new(None) };
}

/// A text of either form: imported whole, or refused with a hint and nothing changed.
pub fn import(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    let mut empty = EMPTY.take().unwrap_or_else(Empty::new);
    match empty.book.import(text) {
        Err(error) => {
            assert!(!error.hint().is_empty() && !error.to_string().is_empty());
            assert_eq!(
                exported(&empty.book, Form::JsonLines),
                empty.exported,
                "a refused import left something behind"
            );
            EMPTY.set(Some(empty));
        }
        Ok(imported) => came_back(&mut empty.book, text, imported),
    }
}

fn came_back(book: &mut Logbook, text: &str, imported: Imported) {
    assert!(!imported.renumbered, "nothing was there whose number could be taken: {imported:?}");
    let again = book.import(text).unwrap();
    assert_eq!((again.readings, again.events), (0, 0), "imported twice");
    let first = exported(book, Form::JsonLines);
    for form in [Form::JsonLines, Form::Csv] {
        let mut other = Empty::new();
        let copied = other.book.import(&exported(book, form)).unwrap_or_else(|why| panic!("{why}\n{first}"));
        assert_eq!((copied.readings, copied.events), (imported.readings, imported.events));
        assert_eq!(exported(&other.book, Form::JsonLines), first, "by way of {form:?}");
    }
}
