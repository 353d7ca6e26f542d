//! The tables as Apache Parquet: the values of the CSV files, typed, by column.
//!
//! Text is UTF-8 strings, whole numbers 64-bit integers, numbers 64-bit floats rounded as in the CSV
//! files, and what is empty there is null here. Without the feature `parquet` nothing is written.

#[cfg(feature = "parquet")]
pub(super) use with::Writer;
#[cfg(not(feature = "parquet"))]
pub(super) use without::Writer;

/// Rows of a row group: enough that columns compress well, few enough for the memory.
#[cfg(feature = "parquet")]
const ROWS: usize = 100_000;

#[cfg(feature = "parquet")]
mod with {
    use super::ROWS;
    use crate::dataset::table::{Column, ColumnOf, Kind, Values};
    use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
    use parquet::data_type::{BoolType, ByteArray, ByteArrayType, DoubleType, Int64Type};
    use parquet::file::properties::{EnabledStatistics, WriterProperties};
    use parquet::file::writer::SerializedFileWriter;
    use parquet::schema::types::Type;
    use std::io::{self, Write};
    use std::sync::Arc;

    /// A table being written.
    pub(in crate::dataset) struct Writer<W: Write + Send> {
        file: SerializedFileWriter<W>,
        waiting: Vec<ColumnOf>,
    }

    impl<W: Write + Send> std::fmt::Debug for Writer<W> {
        fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
            f.debug_struct("Writer").finish_non_exhaustive()
        }
    }

    /// The words as the writer takes them; words that neighbours share are kept once.
    fn shared(values: &[Arc<str>]) -> Vec<ByteArray> {
        let mut out: Vec<ByteArray> = Vec::with_capacity(values.len());
        for (i, words) in values.iter().enumerate() {
            let same = i > 0 && Arc::ptr_eq(words, &values[i - 1]);
            let bytes = match out.last().filter(|_| same) {
                Some(last) => last.clone(),
                None => words.as_bytes().to_vec().into(),
            };
            out.push(bytes);
        }
        out
    }

    impl<W: Write + Send> Writer<W> {
        pub(in crate::dataset) fn new(out: W, columns: &[Column]) -> io::Result<Self> {
            let field = |column: &Column| {
                let (physical, logical) = match column.kind {
                    Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
                    Kind::Whole => (Physical::INT64, None),
                    Kind::Real(_) => (Physical::DOUBLE, None),
                    Kind::YesNo => (Physical::BOOLEAN, None),
                };
                Type::primitive_type_builder(&column.name, physical)
                    .with_repetition(Repetition::OPTIONAL)
                    .with_logical_type(logical)
                    .build()
                    .map(Arc::new)
            };
            let fields = columns
                .iter()
                .map(field)
                .collect::<Result<_, _>>()
                .map_err(io::Error::other)?;
            let schema = Type::group_type_builder("table")
                .with_fields(fields)
                .build()
                .map_err(io::Error::other)?;
            let properties = WriterProperties::builder()
                .set_compression(Compression::SNAPPY)
                .set_statistics_enabled(EnabledStatistics::Chunk)
                .build();
            let file = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties))
                .map_err(io::Error::other)?;
            Ok(Writer {
                file,
                waiting: Vec::new(),
            })
        }

        /// Adds rows, given by column.
        pub(in crate::dataset) fn add(&mut self, columns: Vec<ColumnOf>) -> io::Result<()> {
            if self.waiting.is_empty() {
                self.waiting = columns;
            } else {
                for ((here, values), (more_here, more)) in self.waiting.iter_mut().zip(columns) {
                    here.extend(more_here);
                    match (values, more) {
                        (Values::Text(a), Values::Text(b)) => a.extend(b),
                        (Values::Whole(a), Values::Whole(b)) => a.extend(b),
                        (Values::Real(a), Values::Real(b)) => a.extend(b),
                        (Values::YesNo(a), Values::YesNo(b)) => a.extend(b),
                        _ => return Err(io::Error::other("columns of another table")),
                    }
                }
            }
            if self
                .waiting
                .first()
                .is_some_and(|(here, _)| here.len() >= ROWS)
            {
                self.group()?;
            }
            Ok(())
        }

        /// Writes what waits as a row group.
        fn group(&mut self) -> io::Result<()> {
            let mut group = self.file.next_row_group().map_err(io::Error::other)?;
            for (is_there, values) in std::mem::take(&mut self.waiting) {
                let levels: Vec<i16> = is_there.iter().map(|there| i16::from(*there)).collect();
                let Some(mut column) = group.next_column().map_err(io::Error::other)? else {
                    return Err(io::Error::other("more columns than the schema has"));
                };
                let levels = Some(levels.as_slice());
                match values {
                    Values::Text(values) => {
                        let values = shared(&values);
                        column
                            .typed::<ByteArrayType>()
                            .write_batch(&values, levels, None)
                    }
                    Values::Whole(values) => column
                        .typed::<Int64Type>()
                        .write_batch(&values, levels, None),
                    Values::Real(values) => column
                        .typed::<DoubleType>()
                        .write_batch(&values, levels, None),
                    Values::YesNo(values) => column
                        .typed::<BoolType>()
                        .write_batch(&values, levels, None),
                }
                .map_err(io::Error::other)?;
                column.close().map_err(io::Error::other)?;
            }
            group.close().map_err(io::Error::other)?;
            Ok(())
        }

        /// Ends the file and gives back what it was written into.
        pub(in crate::dataset) fn finish(mut self) -> io::Result<Option<W>> {
            if self
                .waiting
                .first()
                .is_some_and(|(here, _)| !here.is_empty())
            {
                self.group()?;
            }
            self.file.into_inner().map(Some).map_err(io::Error::other)
        }
    }
}

#[cfg(not(feature = "parquet"))]
mod without {
    use crate::dataset::table::{Column, ColumnOf};
    use std::io::{self, Write};

    /// Writes nothing: this build has no Parquet.
    #[derive(Debug)]
    pub(in crate::dataset) struct Writer<W: Write + Send>(std::marker::PhantomData<W>);

    impl<W: Write + Send> Writer<W> {
        #[allow(clippy::unnecessary_wraps, reason = "the build with Parquet can fail")]
        pub(in crate::dataset) fn new(_: W, _: &[Column]) -> io::Result<Self> {
            Ok(Writer(std::marker::PhantomData))
        }

        #[allow(clippy::unnecessary_wraps, reason = "the build with Parquet can fail")]
        pub(in crate::dataset) fn add(&mut self, _: Vec<ColumnOf>) -> io::Result<()> {
            Ok(())
        }

        #[allow(clippy::unnecessary_wraps, reason = "the build with Parquet can fail")]
        pub(in crate::dataset) fn finish(self) -> io::Result<Option<W>> {
            Ok(None)
        }
    }
}
