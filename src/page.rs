//! The shell of every HTML page that the program writes: one file that needs nothing else.
//!
//! A page is its body, wrapped by [`whole`]: title, style and colours inline, light and dark by the
//! reader's own setting, print on A4 or Letter, headings and landmarks for screen readers. Nothing
//! is loaded from elsewhere, and a content security policy in the page forbids it: pictures come as
//! data URIs ([`data_uri`]), and of scripts only the one that was given here runs, told by its hash.
//! A text that slipped in as markup would thus still run nothing. Texts are escaped by maud.
//!
//! A page is to be read without its script; a script only adds to it. Values for a script go into a
//! [`json_block`], never into the script's text.
//!
//! Classes that the style sheet offers: `facts` (a `dl` of `div`s with `dt` and `dd`: tiles), `n`
//! (cells with numbers), `scroll` (round a wide table), `caution`, `dim`, `on-screen` (not printed),
//! `chart`.

use crate::palette;
use maud::{DOCTYPE, Markup, PreEscaped, html};
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fmt::Write as _;

/// The rules that all pages share.
const STYLE: &str = include_str!("page.css");

/// What a page has besides its body. All of it is the program's own text, which no data can enter.
#[derive(Debug, Clone, Copy, Default)]
pub struct Extras {
    /// CSS after the shared rules.
    pub style: &'static str,
    /// JavaScript, run when the body is there. Empty: none.
    pub script: &'static str,
}

/// A whole page round a body: the title as its heading, then the body.
pub fn whole(title: &str, body: &Markup) -> String {
    whole_with(title, body, Extras::default())
}

/// A whole page round a body, with style and script of its own.
pub fn whole_with(title: &str, body: &Markup, extras: Extras) -> String {
    let script_source = if extras.script.is_empty() {
        "'none'".to_owned()
    } else {
        let hash = Sha256::digest(extras.script.as_bytes());
        format!("'sha256-{}'", base64(&hash))
    };
    // blob: is what a script makes of a file that the reader chose.
    let policy = format!(
        "default-src 'none'; img-src data: blob:; style-src 'unsafe-inline'; \
         script-src {script_source}; form-action 'none'; base-uri 'none'"
    );
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(policy);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                meta name="referrer" content="no-referrer";
                // Without it a browser may ask the server of the page for one.
                link rel="icon" href="data:,";
                title { (title) }
                style { (PreEscaped(colours())) (PreEscaped(STYLE)) (PreEscaped(extras.style)) }
            }
            body {
                header.top { div { h1 { (title) } } }
                main { (body) }
                @if !extras.script.is_empty() {
                    script { (PreEscaped(extras.script)) }
                }
            }
        }
    };
    page.into_string()
}

/// Values for the page's script, as `<script type="application/json">` of this id: no browser runs
/// it, and no text in it can end it.
///
/// # Errors
/// What serde says of a value that is no JSON.
pub fn json_block(id: &str, values: &impl Serialize) -> Result<Markup, serde_json::Error> {
    // In JSON these signs stand in strings only, where \u escapes mean the same.
    let json = serde_json::to_string(values)?
        .replace('<', "\\u003c")
        .replace('>', "\\u003e")
        .replace('&', "\\u0026");
    Ok(html! { script type="application/json" id=(id) { (PreEscaped(json)) } })
}

/// A file's bytes as a URI that holds them (RFC 2397); `media_type` such as `image/jpeg`.
pub fn data_uri(media_type: &str, bytes: &[u8]) -> String {
    format!("data:{media_type};base64,{}", base64(bytes))
}

/// The palette as custom properties: light, dark where the reader has it dark, light on paper.
fn colours() -> String {
    let mut css = String::from(":root{");
    for ink in palette::ALL {
        let _ = write!(css, "--{}:{};", ink.name, ink.light_hex());
    }
    css.push_str("}@media screen and (prefers-color-scheme:dark){:root{");
    for ink in palette::ALL {
        let _ = write!(css, "--{}:{};", ink.name, ink.dark_hex());
    }
    css.push_str("}}");
    css
}

/// Base 64 with padding (RFC 4648, section 4).
fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for three in bytes.chunks(3) {
        let byte = |i: usize| usize::from(three.get(i).copied().unwrap_or(0));
        let bits = byte(0) << 16 | byte(1) << 8 | byte(2);
        for place in 0..4 {
            if place <= three.len() {
                text.push(char::from(SIGNS[bits >> (18 - 6 * place) & 63]));
            } else {
                text.push('=');
            }
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_gives_the_standards_test_vectors() {
        // RFC 4648, section 10.
        for (bytes, text) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(bytes.as_bytes()), text);
        }
        assert_eq!(base64(&[0xff, 0xef, 0xbe]), "/+++");
    }

    #[test]
    fn a_hostile_title_stays_text() {
        let page = whole("<script>x</script>\"'&", &html! { p { "<b>" } });
        assert!(!page.contains("<script"), "{page}");
        assert!(page.contains("<title>&lt;script&gt;x&lt;/script&gt;&quot;'&amp;</title>"));
        assert!(page.contains("<p>&lt;b&gt;</p>"));
    }

    #[test]
    fn only_the_script_of_the_page_may_run() {
        let quiet = whole("t", &html! {});
        assert!(quiet.contains("script-src 'none'"));
        let page = whole_with(
            "t",
            &html! {},
            Extras {
                script: "alert(1)",
                ..Extras::default()
            },
        );
        // printf 'alert(1)' | openssl dgst -sha256 -binary | base64
        assert!(
            page.contains(
                "script-src &#39;sha256-bhHHL3z2vDgxUt0W3dWQOrprscmda2Y5pLsLg4GF+pI=&#39;"
            ) || page.contains("script-src 'sha256-bhHHL3z2vDgxUt0W3dWQOrprscmda2Y5pLsLg4GF+pI='"),
            "{page}"
        );
    }

    #[test]
    fn values_for_a_script_cant_end_its_block() {
        let name = "</script><script>alert(1)</script><!--&";
        let block = json_block("values", &name).unwrap().into_string();
        assert_eq!(block.matches('<').count(), 2, "{block}");
        let inner = &block[block.find('>').unwrap() + 1..block.rfind('<').unwrap()];
        assert_eq!(serde_json::from_str::<String>(inner).unwrap(), name);
    }

    #[test]
    fn nothing_is_loaded_from_elsewhere() {
        let page = whole("t", &html! { p { "text" } });
        for sign in ["http:", "https:", "url(", "@import", "src=\"/"] {
            assert!(!page.contains(sign), "{sign}");
        }
    }
}
