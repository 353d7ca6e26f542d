//! Writing the files of a dataset: every specimen's part of each, made side by side and written in
//! order.

use super::corrections::{self, Correction, Corrections};
use super::exports;
use super::package::{self, About};
use super::parquet;
use super::plan::{self, Planned};
use super::sheet::Sheet;
use super::sources;
use super::specimen::{Specimen, mean};
use super::store::{Made, Staged, Store};
use super::table::{self, Column, Finished, Rows};
use super::tables::{self, Listed};
use super::{CORRECTIONS, MEANS, PACKAGE, READINGS, RINGS, SERIES, SHEET, SPECIMENS, XML};
use crate::error::Error;
use crate::formats::{decadal, tridas};
use crate::series::Series;
use rayon::prelude::*;
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};
use std::io;

/// Specimens in work at a time: enough that two cores are busy, few enough for the memory.
const AT_A_TIME: usize = 64;

/// All that the files follow from, beside the readings.
#[derive(Debug)]
pub(super) struct Inputs {
    pub(super) sheet: Vec<u8>,
    pub(super) corrections: Vec<u8>,
    pub(super) radii: usize,
    pub(super) title: String,
}

impl Inputs {
    /// Hash of all that the files follow from.
    pub(super) fn hash(&self, planned: &[Planned]) -> String {
        let readings: Vec<&str> = planned.iter().map(|p| p.entry.sha256.as_str()).collect();
        let all = json!({
            "version": env!("CARGO_PKG_VERSION"),
            "parquet": cfg!(feature = "parquet"),
            "radii": self.radii,
            "title": self.title,
            "sheet": sources::sha256(&self.sheet),
            "corrections": sources::sha256(&self.corrections),
            "readings": readings,
        });
        sources::sha256(all.to_string().as_bytes())
    }
}

/// What is made of one specimen before it is written.
#[derive(Debug)]
struct Part {
    line: Vec<u8>,
    tables: Vec<Finished>,
    decadal: [Vec<u8>; 5],
    xml: Vec<u8>,
    /// Mean of the radii, where it is dated and has a scale.
    mean: Option<Series>,
    remarks: Vec<String>,
}

/// The tables, in the order in which they are kept here.
const TABLES: [(&str, &str); 4] = [
    (
        SPECIMENS,
        "One row a specimen: what the sheet has, what was read, and where it is from",
    ),
    (RINGS, "One row a ring, radius and specimen"),
    (SERIES, "One row a series of widths: radii, discs, trees"),
    (
        MEANS,
        "Widths of discs from areas and as means of their radii, of trees as means of their discs",
    ),
];

/// Makes one specimen's part of every file.
fn make(
    planned: &Planned,
    radii: usize,
    columns: &[Vec<Column>; 4],
    further: &[String],
    corrections: &Corrections,
) -> Result<Part, Error> {
    let entry = &planned.entry;
    let line = sources::line(&entry.place)?;
    if sources::sha256(&line) != entry.sha256 {
        return Err(Error::BadData {
            path: entry.place.path.clone(),
            line: entry.place.line,
            what: "it changed while it was gathered".into(),
            way_out: "gather again when nothing writes it".into(),
        });
    }
    let reading = sources::parse(&line, &entry.place)?;
    let mut specimen = Specimen::new(
        planned.name.clone(),
        planned.tree.clone(),
        reading,
        entry.sha256.clone(),
        planned.row.clone(),
        radii,
    );
    let own: Vec<&Correction> = corrections
        .list
        .iter()
        .filter(|c| c.reading_sha256 == entry.sha256)
        .collect();
    let refused = corrections::apply(&mut specimen, &own);
    let mut remarks: Vec<String> = refused
        .into_iter()
        .map(|(line, words)| format!("{CORRECTIONS}, line {line}: not applied: {words}"))
        .collect();
    remarks.extend(
        specimen
            .remarks
            .iter()
            .map(|words| format!("{}: {words}", specimen.name)),
    );
    let fault = |refused: io::Error| Error::BadData {
        path: entry.place.path.clone(),
        line: entry.place.line,
        what: refused.to_string(),
        way_out: "look at its scale and years".into(),
    };
    // Years that the format has no room for are no reason to leave out anything else.
    let decadal = exports::decadal(&specimen, &planned.code).unwrap_or_else(|refused| {
        remarks.push(format!(
            "{}: not in the decadal text: {refused}",
            specimen.name
        ));
        Default::default()
    });
    let code = if decadal.iter().all(Vec::is_empty) {
        ""
    } else {
        &planned.code
    };
    let tables = rows(&specimen, code, columns, further).map_err(fault)?;
    let mut line = line;
    line.push(b'\n');
    Ok(Part {
        line,
        tables,
        decadal,
        xml: exports::sample(&specimen).map_err(fault)?,
        mean: (specimen.is_dated() && specimen.mm_per_px.is_some())
            .then(|| specimen.mean_of_radii()),
        remarks,
    })
}

/// A specimen's rows of all tables; `code` is empty where it is not in the decadal text.
fn rows(
    specimen: &Specimen,
    code: &str,
    columns: &[Vec<Column>; 4],
    further: &[String],
) -> io::Result<Vec<Finished>> {
    let [mut specimens, mut rings, mut series, mut means] =
        [0, 1, 2, 3].map(|i| Rows::new(&columns[i]));
    tables::specimen(&mut specimens, specimen, further)?;
    tables::rings(&mut rings, specimen)?;
    tables::means(&mut means, specimen)?;
    let is_dated = specimen.is_dated();
    let is_in_text = !code.is_empty();
    let disc = Listed {
        level: "disc",
        decadal_name: if is_in_text && is_dated { code } else { "" },
        tree: &specimen.tree,
        specimen: &specimen.name,
        radius: None,
        is_dated,
    };
    for (i, radius) in specimen.radii.iter().enumerate() {
        let along = specimen.along(i);
        let is_known = along.widths_mm.iter().any(Option::is_some);
        let name = plan::decadal_name(code, i);
        let radius = Listed {
            level: "radius",
            decadal_name: if is_in_text && is_known { &name } else { "" },
            radius: Some((&radius.name, radius.azimuth_deg)),
            ..disc
        };
        tables::listed(&mut series, &along, radius)?;
    }
    tables::listed(&mut series, &specimen.mean_of_radii(), disc)?;
    [specimens, rings, series, means]
        .into_iter()
        .map(Rows::finish)
        .collect()
}

/// All files in the making.
struct Out<'a> {
    store: &'a Store,
    readings: Staged,
    tables: Vec<Staged>,
    parquet: Vec<parquet::Writer<Staged>>,
    decadal: Vec<Staged>,
    decadal_bytes: [usize; 5],
    /// First and last year of the dated discs.
    span: Option<(i32, i32)>,
    xml: Staged,
    rings: usize,
    means: Vec<(String, Series)>,
    /// Place and tree of the XML elements that are open.
    open: Option<(String, String)>,
    remarks: Vec<String>,
}

/// Writes all files and puts them in their places; gives the number of rows of `rings.csv`.
pub(super) fn write(
    store: &Store,
    inputs: &Inputs,
    hash: &str,
    planned: &[Planned],
    sheet: &Sheet,
    corrections: &Corrections,
    remarks: &mut Vec<String>,
) -> Result<usize, Error> {
    let columns = [
        tables::specimens_columns(&sheet.further),
        tables::rings_columns(),
        tables::series_columns(),
        tables::means_columns(),
    ];
    let mut out = Out::begin(store, &columns, inputs, planned)?;
    let mut waiting: Option<(&[Planned], Vec<Part>)> = None;
    for chunk in planned.chunks(AT_A_TIME) {
        let before = waiting.take();
        let (made, written) = rayon::join(
            || {
                let one =
                    |p: &Planned| make(p, inputs.radii, &columns, &sheet.further, corrections);
                chunk
                    .par_iter()
                    .map(one)
                    .collect::<Result<Vec<Part>, Error>>()
            },
            || before.map_or(Ok(()), |(planned, parts)| out.add(planned, parts)),
        );
        written?;
        waiting = Some((chunk, made?));
    }
    if let Some((planned, parts)) = waiting {
        out.add(planned, parts)?;
    }
    out.trees(&columns)?;
    let rings = out.rings;
    remarks.append(&mut out.remarks);
    out.end(inputs, hash, planned, &columns)?;
    Ok(rings)
}

impl<'a> Out<'a> {
    fn begin(
        store: &'a Store,
        columns: &[Vec<Column>; 4],
        inputs: &Inputs,
        planned: &[Planned],
    ) -> Result<Self, Error> {
        let mut tables = Vec::new();
        let mut writers = Vec::new();
        for ((name, _), columns) in TABLES.iter().zip(columns) {
            let mut file = store.create(name)?;
            let header = table::header(columns).map_err(|e| file.unwritable(e))?;
            file.add(&header)?;
            tables.push(file);
            if cfg!(feature = "parquet") {
                let path = store.path(&parquet_name(name));
                let file = store.create(&parquet_name(name))?;
                let writer = parquet::Writer::new(file, columns);
                writers.push(writer.map_err(|source| Error::Unwritable { path, source })?);
            }
        }
        let decadal = exports::DECADAL
            .iter()
            .map(|(name, ..)| store.create(&body(name)));
        let mut xml = store.create(XML)?;
        let project = tridas::Project {
            title: inputs.title.clone(),
            investigator: all_of(planned, "collector"),
            period: all_of(planned, "felled"),
            comments: format!("Read from photos by endgrain {}", env!("CARGO_PKG_VERSION")),
        };
        tridas::open(&mut xml, &project).map_err(|e| xml.unwritable(e))?;
        Ok(Out {
            store,
            readings: store.create(READINGS)?,
            tables,
            parquet: writers,
            decadal: decadal.collect::<Result<_, _>>()?,
            decadal_bytes: [0; 5],
            span: None,
            xml,
            rings: 0,
            means: Vec::new(),
            open: None,
            remarks: Vec::new(),
        })
    }

    /// Adds specimens, in order.
    fn add(&mut self, planned: &[Planned], parts: Vec<Part>) -> Result<(), Error> {
        for (planned, part) in planned.iter().zip(parts) {
            self.readings.add(&part.line)?;
            for (i, made) in part.tables.into_iter().enumerate() {
                if TABLES[i].0 == RINGS {
                    self.rings += made.count;
                }
                self.rows(i, made)?;
            }
            for (i, text) in part.decadal.iter().enumerate() {
                self.decadal[i].add(text)?;
                self.decadal_bytes[i] += text.len();
            }
            self.xml_elements(Some(planned))?;
            self.xml.add(&part.xml)?;
            let years = |series: &Series| Some((series.first_year, series.last_year()?));
            if let Some((first, last)) = part.mean.as_ref().and_then(years) {
                let span = self.span.unwrap_or((first, last));
                self.span = Some((span.0.min(first), span.1.max(last)));
            }
            self.means
                .extend(part.mean.map(|series| (planned.tree.clone(), series)));
            self.remarks.extend(part.remarks);
        }
        Ok(())
    }

    /// Adds rows to a table in both its forms.
    fn rows(&mut self, table: usize, made: Finished) -> Result<(), Error> {
        self.tables[table].add(&made.csv)?;
        if let Some(writer) = self.parquet.get_mut(table) {
            let added = writer.add(made.columns);
            added.map_err(|source| self.tables[table].unwritable(source))?;
        }
        Ok(())
    }

    /// Closes the XML elements of another place or tree and opens those of this one.
    fn xml_elements(&mut self, next: Option<&Planned>) -> Result<(), Error> {
        let wanted = next.map(|p| (p.row.cell("place").to_owned(), p.tree.clone()));
        if wanted == self.open {
            return Ok(());
        }
        let place = |open: &Option<(String, String)>| open.as_ref().map(|(place, _)| place.clone());
        let is_same_place = place(&wanted) == place(&self.open);
        let xml = &mut self.xml;
        let mut change = || -> io::Result<()> {
            if self.open.is_some() {
                tridas::close_tree(xml)?;
                if !is_same_place {
                    tridas::close_object(xml)?;
                }
            }
            if let Some(p) = next {
                if !is_same_place {
                    tridas::open_object(xml, p.row.cell("place"))?;
                }
                let latin = p.row.cell("species_latin");
                let taxon = if latin.is_empty() {
                    p.row.cell("species")
                } else {
                    latin
                };
                tridas::open_tree(
                    xml,
                    &tridas::Tree {
                        title: p.tree.clone(),
                        taxon: taxon.to_owned(),
                        altitude_m: p.row.elevation_m,
                        place_deg: p.row.place_deg,
                    },
                )?;
            }
            Ok(())
        };
        let changed = change();
        changed.map_err(|e| self.xml.unwritable(e))?;
        self.open = wanted;
        Ok(())
    }

    /// Adds the mean of each tree's dated discs.
    fn trees(&mut self, columns: &[Vec<Column>; 4]) -> Result<(), Error> {
        let mut of_tree: BTreeMap<String, Vec<Series>> = BTreeMap::new();
        for (tree, series) in std::mem::take(&mut self.means) {
            of_tree.entry(tree).or_default().push(series);
        }
        let trees: Vec<(Series, Vec<u32>)> = of_tree
            .into_iter()
            .map(|(tree, discs)| tree_mean(tree, &discs))
            .collect();
        let wanted: Vec<&str> = trees
            .iter()
            .map(|(series, _)| series.name.as_str())
            .collect();
        let years: Vec<i32> = trees.iter().map(|(series, _)| series.first_year).collect();
        let names = decadal::names(&wanted, &years);
        let made = || -> io::Result<(Vec<u8>, Rows, Rows)> {
            let (mut text, mut series, mut means) =
                (Vec::new(), Rows::new(&columns[2]), Rows::new(&columns[3]));
            for ((tree, parts), name) in trees.iter().zip(&names) {
                let step = exports::DECADAL[exports::TREES].1;
                // Its discs have been told of where their years have no room in the format.
                let is_in_text = exports::one(&mut text, name, tree, step).is_ok();
                let listed = Listed {
                    level: "tree",
                    decadal_name: if is_in_text { name } else { "" },
                    tree: &tree.name,
                    specimen: "",
                    radius: None,
                    is_dated: true,
                };
                tables::listed(&mut series, tree, listed)?;
                tables::tree_means(&mut means, tree, parts)?;
            }
            Ok((text, series, means))
        };
        let (text, series, means) =
            made().map_err(|e| self.decadal[exports::TREES].unwritable(e))?;
        self.decadal[exports::TREES].add(&text)?;
        self.decadal_bytes[exports::TREES] += text.len();
        for (table, rows) in [(2, series), (3, means)] {
            let made = rows
                .finish()
                .map_err(|e| self.tables[table].unwritable(e))?;
            self.rows(table, made)?;
        }
        Ok(())
    }

    /// Ends all files, describes them, and puts them in their places.
    fn end(
        mut self,
        inputs: &Inputs,
        hash: &str,
        planned: &[Planned],
        columns: &[Vec<Column>; 4],
    ) -> Result<(), Error> {
        self.xml_elements(None)?;
        tridas::close(&mut self.xml).map_err(|e| self.xml.unwritable(e))?;
        let mut gone = Vec::new();
        let tables = self
            .tables
            .into_iter()
            .map(Staged::finish)
            .collect::<Result<Vec<Made>, _>>()?;
        let mut others: Vec<(Made, &str)> = vec![(
            self.readings.finish()?,
            "The readings, endgrain.reading/1, one a line",
        )];
        for (writer, (name, about)) in self.parquet.into_iter().zip(TABLES) {
            let path = self.store.path(&parquet_name(name));
            let file = writer
                .finish()
                .map_err(|source| Error::Unwritable { path, source })?;
            if let Some(file) = file {
                others.push((file.finish()?, about));
            }
        }
        for ((file, bytes), (name, _, about)) in self
            .decadal
            .into_iter()
            .zip(self.decadal_bytes)
            .zip(exports::DECADAL)
        {
            file.finish()?;
            if bytes == 0 {
                gone.push(name.to_owned());
            } else {
                others.push((
                    with_header(self.store, name, inputs, planned, self.span)?,
                    about,
                ));
            }
        }
        let words = "Tree-Ring Data Standard 1.2.2, widths on each radius";
        others.push((self.xml.finish()?, words));
        let mut files: Vec<String> = tables
            .iter()
            .chain(others.iter().map(|(made, _)| made))
            .map(|made| made.name.clone())
            .collect();
        for (name, bytes) in [(SHEET, &inputs.sheet), (CORRECTIONS, &inputs.corrections)] {
            let mut file = self.store.create(name)?;
            file.add(bytes)?;
            files.push(file.finish()?.name);
        }
        let described: Vec<package::Table<'_>> = tables
            .iter()
            .zip(TABLES)
            .zip(columns)
            .map(|((file, (name, about)), columns)| package::Table {
                file,
                about,
                columns,
                key: match name {
                    SPECIMENS => &["specimen"],
                    RINGS => &["specimen", "radius", "ring"],
                    _ => &[],
                },
                is_keyed_by_specimen: name == RINGS,
            })
            .collect();
        let about = About {
            title: &inputs.title,
            radii: inputs.radii,
            inputs_sha256: hash,
        };
        let others: Vec<(&Made, &str)> =
            others.iter().map(|(made, about)| (made, *about)).collect();
        let edited = [
            (
                SHEET,
                "What a person knows of each photo; to be changed by hand",
            ),
            (CORRECTIONS, "Corrections by hand; to be changed by hand"),
        ];
        let text =
            serde_json::to_string_pretty(&package::describe(&about, &described, &others, &edited));
        let mut file = self.store.create(PACKAGE)?;
        let text = text.map_err(|fault| file.unwritable(io::Error::other(fault)))?;
        file.add(text.as_bytes())?;
        file.add(b"\n")?;
        files.push(file.finish()?.name);
        self.store.commit(files, gone)
    }
}

/// Mean of the discs of a tree by year, and how many discs each year is the mean of.
fn tree_mean(tree: String, discs: &[Series]) -> (Series, Vec<u32>) {
    let first_year = discs.iter().map(|s| s.first_year).min().unwrap_or(1);
    let last_year = discs.iter().filter_map(Series::last_year).max();
    let years = first_year..=last_year.unwrap_or(first_year - 1);
    let (widths_mm, parts) = years
        .map(|year| mean(discs.iter().filter_map(|s| s.width_mm(year))))
        .unzip();
    let series = Series {
        name: tree,
        first_year,
        widths_mm,
    };
    (series, parts)
}

/// All different words of a column, in the order of the alphabet.
fn all_of(planned: &[Planned], column: &str) -> String {
    let words: BTreeSet<&str> = planned
        .iter()
        .map(|p| p.row.cell(column))
        .filter(|w| !w.is_empty())
        .collect();
    words.into_iter().collect::<Vec<_>>().join("; ")
}

fn parquet_name(table: &str) -> String {
    table.replace(".csv", ".parquet")
}

/// Name of a decadal file while its header isn't known.
fn body(name: &str) -> String {
    format!("{name}.body")
}

/// Puts the header before the body of a decadal file, once its years are known.
fn with_header(
    store: &Store,
    name: &str,
    inputs: &Inputs,
    planned: &[Planned],
    years: Option<(i32, i32)>,
) -> Result<Made, Error> {
    let is_dated = !name.contains("undated");
    let title = if is_dated {
        inputs.title.clone()
    } else {
        "NOT DATED: YEARS ARE RING NUMBERS FROM THE PITH".into()
    };
    let species: BTreeSet<&str> = planned.iter().map(|p| p.row.cell("species")).collect();
    let species = match species.iter().collect::<Vec<_>>().as_slice() {
        [one] => (**one).to_owned(),
        _ => String::new(),
    };
    let signs = inputs.title.chars().filter(char::is_ascii_alphanumeric);
    let code: String = signs.take(6).collect();
    let lines = decadal::header(
        &code.to_ascii_uppercase(),
        &title,
        &species,
        "",
        &all_of(planned, "collector"),
        years.filter(|_| is_dated),
    );
    let mut file = store.create(name)?;
    for line in lines {
        file.add(line.as_bytes())?;
        file.add(b"\n")?;
    }
    let mut body = store.open_staged(&body(name))?;
    io::copy(&mut body, &mut file).map_err(|source| file.unwritable(source))?;
    file.finish()
}
