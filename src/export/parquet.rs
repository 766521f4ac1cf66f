//! Parquet for many logs in one file: a row a record, with the columns of the CSV, typed. `at` is a moment in UTC, and
//! `utc_offset` the log's own offset; `number` and `word` are the value. Compressed with Snappy.

use super::csv::Cells;
use super::{ExportError, Log};
use ::parquet::basic::Compression;
use ::parquet::data_type::{BoolType, ByteArray, ByteArrayType, DataType, DoubleType, Int64Type};
use ::parquet::errors::ParquetError;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use ::parquet::schema::parser::parse_message_type;
use chrono::DateTime;
use serde_json::Value;
use std::sync::Arc;

/// So many rows are held at a time.
const GROUP: usize = 50_000;

const SCHEMA: &str = "message earmark {
  required binary log_id (STRING);
  required binary purpose (STRING);
  required binary pack (STRING);
  required binary utc_offset (STRING);
  required int64 seq;
  required binary kind (STRING);
  optional int64 at (TIMESTAMP(MILLIS,true));
  required int64 t_ms;
  optional int64 birth_ms;
  required int64 written_ms;
  optional binary event (STRING);
  optional binary title (STRING);
  optional binary group (STRING);
  optional double number;
  optional binary word (STRING);
  optional binary unit (STRING);
  optional binary detail (STRING);
  optional binary status (STRING);
  optional binary doubt (STRING);
  optional binary rival (STRING);
  optional boolean amended;
  optional boolean moved;
  optional binary corrected_by (STRING);
  optional binary by (STRING);
  optional binary words (STRING);
  optional double confidence;
  optional binary checkpoint (STRING);
  optional binary checkpoint_state (STRING);
  optional binary text (STRING);
  optional binary unknown_members (STRING);
  required binary seal (STRING);
  optional binary damage (STRING);
}";

/// A row of the table: the cells of the CSV and the log's offset.
struct Line {
    cells: Cells,
    utc_offset: String,
}

impl Line {
    fn number(&self) -> Option<f64> {
        self.cells.value.as_ref().and_then(Value::as_f64)
    }

    fn word(&self) -> Option<String> {
        match &self.cells.value {
            Some(Value::String(word)) => Some(word.clone()),
            Some(Value::Number(_)) | None => None,
            Some(other) => Some(other.to_string()),
        }
    }
}

/// The table over all logs, taken one after another.
pub fn parquet(logs: impl IntoIterator<Item = Log>) -> Result<Vec<u8>, ExportError> {
    let form = |e: ParquetError| ExportError::Form(e.to_string());
    let schema = Arc::new(parse_message_type(SCHEMA).map_err(form)?);
    let properties = Arc::new(WriterProperties::builder().set_compression(Compression::SNAPPY).build());
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, properties).map_err(form)?;
    let mut lines = Vec::new();
    for Log { told, pack } in logs {
        lines.extend(
            (told.rows.iter()).map(|row| Line {
                cells: Cells::of(&told, row, &pack.events),
                utc_offset: told.header.time_zone.clone(),
            }),
        );
        if lines.len() >= GROUP {
            group(&mut writer, &lines).map_err(form)?;
            lines.clear();
        }
    }
    if !lines.is_empty() {
        group(&mut writer, &lines).map_err(form)?;
    }
    writer.into_inner().map_err(form)
}

/// One row group; columns in the order of [`SCHEMA`].
fn group(writer: &mut SerializedFileWriter<Vec<u8>>, lines: &[Line]) -> Result<(), ParquetError> {
    let mut group = Group { writer: writer.next_row_group()?, lines };
    group.text(|line| line.cells.log_id.as_str())?;
    group.text(|line| &line.cells.purpose)?;
    group.text(|line| line.cells.pack.as_str())?;
    group.text(|line| line.utc_offset.as_str())?;
    group.column::<Int64Type>(true, |line| i64::try_from(line.cells.seq).ok())?;
    group.text(|line| line.cells.kind)?;
    group.column::<Int64Type>(false, |line| moment(line.cells.at.as_deref()?))?;
    group.column::<Int64Type>(true, |line| Some(line.cells.t_ms))?;
    group.column::<Int64Type>(false, |line| line.cells.birth_ms)?;
    group.column::<Int64Type>(true, |line| Some(i64::try_from(line.cells.written_ms).unwrap_or(i64::MAX)))?;
    group.optional(|line| line.cells.event.clone())?;
    group.optional(|line| line.cells.title.clone())?;
    group.optional(|line| line.cells.group.clone())?;
    group.column::<DoubleType>(false, Line::number)?;
    group.optional(Line::word)?;
    group.optional(|line| line.cells.unit.clone())?;
    group.optional(|line| line.cells.detail.clone())?;
    group.optional(|line| line.cells.status.map(String::from))?;
    group.optional(|line| line.cells.doubt.clone())?;
    group.optional(|line| line.cells.rival.clone())?;
    group.column::<BoolType>(false, |line| line.cells.amended)?;
    group.column::<BoolType>(false, |line| line.cells.moved)?;
    group.optional(|line| line.cells.corrected_by.clone())?;
    group.optional(|line| line.cells.by.clone())?;
    group.optional(|line| line.cells.words.clone())?;
    group.column::<DoubleType>(false, |line| line.cells.confidence)?;
    group.optional(|line| line.cells.checkpoint.clone())?;
    group.optional(|line| line.cells.checkpoint_state.clone())?;
    group.optional(|line| line.cells.text.clone())?;
    group.optional(|line| line.cells.unknown_members.clone())?;
    group.text(|line| &line.cells.seal)?;
    group.optional(|line| line.cells.damage.clone())?;
    group.writer.close().map(drop)
}

struct Group<'w, 'l> {
    writer: SerializedRowGroupWriter<'w, Vec<u8>>,
    lines: &'l [Line],
}

impl<'l> Group<'_, 'l> {
    fn text(&mut self, of: impl Fn(&'l Line) -> &'l str) -> Result<(), ParquetError> {
        self.column::<ByteArrayType>(true, |line| Some(ByteArray::from(of(line))))
    }

    fn optional(&mut self, of: impl Fn(&Line) -> Option<String>) -> Result<(), ParquetError> {
        self.column::<ByteArrayType>(false, |line| of(line).map(|text| ByteArray::from(text.into_bytes())))
    }

    /// The next column. A required one has a value in every row.
    fn column<D: DataType>(
        &mut self,
        required: bool,
        of: impl Fn(&'l Line) -> Option<D::T>,
    ) -> Result<(), ParquetError> {
        let cells: Vec<Option<D::T>> = self.lines.iter().map(of).collect();
        let levels: Vec<i16> = cells.iter().map(|cell| i16::from(cell.is_some())).collect();
        let values: Vec<D::T> = cells.into_iter().flatten().collect();
        let Some(mut column) = self.writer.next_column()? else {
            return Err(ParquetError::General("there are more columns than in the schema".into()));
        };
        column.typed::<D>().write_batch(&values, (!required).then_some(levels.as_slice()), None)?;
        column.close()
    }
}

/// Milliseconds since 1970.
fn moment(at: &str) -> Option<i64> {
    DateTime::parse_from_rfc3339(at).ok().map(|at| at.timestamp_millis())
}
