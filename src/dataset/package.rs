//! The description of a dataset: `datapackage.json`, a Frictionless Data Package (specifications of
//! `data-package`, `data-resource` and `table-schema`, version 1), which names every file with its
//! size and SHA-256 and every column with its type, unit and meaning.
//!
//! Under `endgrain` it holds what the next run needs: how many radii, and a hash of all that went in.

use super::store::Made;
use super::table::{Column, Kind};
use serde_json::{Map, Value, json};

/// What the description says of the whole.
#[derive(Debug)]
pub(super) struct About<'a> {
    pub(super) title: &'a str,
    pub(super) radii: usize,
    pub(super) inputs_sha256: &'a str,
}

/// A table and what belongs to it.
#[derive(Debug)]
pub(super) struct Table<'a> {
    pub(super) file: &'a Made,
    pub(super) about: &'a str,
    pub(super) columns: &'a [Column],
    /// Columns that together tell a row from all others; empty where none do.
    pub(super) key: &'a [&'a str],
    pub(super) is_keyed_by_specimen: bool,
}

/// The description as JSON, one line a member, so that versions can be compared.
pub(super) fn describe(
    about: &About<'_>,
    tables: &[Table<'_>],
    others: &[(&Made, &str)],
    edited: &[(&str, &str)],
) -> Value {
    let mut resources: Vec<Value> = tables.iter().map(table).collect();
    resources.extend(others.iter().map(|(file, words)| other(file, words)));
    // A person's files: no hash, they are meant to be changed.
    resources.extend(edited.iter().map(|(name, words)| {
        json!({
            "name": resource_name(name),
            "path": name,
            "mediatype": "text/csv",
            "format": "csv",
            "encoding": "utf-8",
            "description": words,
        })
    }));
    json!({
        "profile": "data-package",
        "name": "ring-widths",
        "title": about.title,
        "description": "Ring widths of discs read from photos of end grain. A width is empty where unknown and 0 where the ring is absent on that radius; years are counted with a year 0.",
        "resources": resources,
        "endgrain": {
            "version": env!("CARGO_PKG_VERSION"),
            "radii": about.radii,
            "inputs_sha256": about.inputs_sha256,
        },
    })
}

fn resource_name(file: &str) -> String {
    let sign = |c: char| {
        if c.is_ascii_alphanumeric() || c == '.' {
            c.to_ascii_lowercase()
        } else {
            '-'
        }
    };
    file.chars().map(sign).collect()
}

fn table(table: &Table<'_>) -> Value {
    let mut schema = Map::new();
    schema.insert("fields".into(), table.columns.iter().map(field).collect());
    schema.insert("missingValues".into(), json!([""]));
    if !table.key.is_empty() {
        schema.insert("primaryKey".into(), json!(table.key));
    }
    if table.is_keyed_by_specimen {
        schema.insert(
            "foreignKeys".into(),
            json!([{
                "fields": "specimen",
                "reference": { "resource": resource_name(super::SPECIMENS), "fields": "specimen" }
            }]),
        );
    }
    json!({
        "profile": "tabular-data-resource",
        "name": resource_name(&table.file.name),
        "path": table.file.name,
        "mediatype": "text/csv",
        "format": "csv",
        "encoding": "utf-8",
        "description": table.about,
        "bytes": table.file.bytes,
        "hash": format!("sha256:{}", table.file.sha256),
        "schema": schema,
    })
}

fn field(column: &Column) -> Value {
    let mut field = Map::new();
    let kind = match column.kind {
        Kind::Text => "string",
        Kind::Whole => "integer",
        Kind::Real(_) => "number",
        Kind::YesNo => "boolean",
    };
    field.insert("name".into(), json!(column.name));
    field.insert("type".into(), json!(kind));
    field.insert("description".into(), json!(column.about));
    if !column.unit.is_empty() {
        field.insert("unit".into(), json!(column.unit));
    }
    let mut constraints = Map::new();
    if column.is_required {
        constraints.insert("required".into(), json!(true));
    }
    if !column.words.is_empty() {
        constraints.insert("enum".into(), json!(column.words));
    }
    if !constraints.is_empty() {
        field.insert("constraints".into(), constraints.into());
    }
    field.into()
}

fn other(file: &Made, about: &str) -> Value {
    let ending = file.name.rsplit('.').next().unwrap_or_default();
    let mediatype = match ending {
        "parquet" => "application/vnd.apache.parquet",
        "xml" => "application/xml",
        "jsonl" => "application/jsonl",
        _ => "text/plain",
    };
    json!({
        "name": resource_name(&file.name),
        "path": file.name,
        "mediatype": mediatype,
        "format": ending,
        "description": about,
        "bytes": file.bytes,
        "hash": format!("sha256:{}", file.sha256),
    })
}
