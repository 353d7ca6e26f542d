//! Messages between the program and its reading processes: a number of parts, then each part's
//! length and bytes, all lengths as eight bytes, little-endian. Both ends are the same program, so the
//! form may change from version to version.

use std::io::{self, Read, Write};

/// Most parts of a message: a word, a hash, and three files a log end.
const MOST_PARTS: u64 = 2 + 3 * crate::ends::MOST_ENDS as u64;

/// Writes a message and sends it off.
pub(super) fn write(to: &mut impl Write, parts: &[&[u8]]) -> io::Result<()> {
    to.write_all(&(parts.len() as u64).to_le_bytes())?;
    for part in parts {
        to.write_all(&(part.len() as u64).to_le_bytes())?;
        to.write_all(part)?;
    }
    to.flush()
}

/// Reads a message; `None` where the other end has closed before its first byte.
pub(super) fn read(from: &mut impl Read) -> io::Result<Option<Vec<Vec<u8>>>> {
    let count = match number(from) {
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(None),
        other => other?,
    };
    if count > MOST_PARTS {
        return Err(io::ErrorKind::InvalidData.into());
    }
    let mut parts = Vec::new();
    for _ in 0..count {
        let length = number(from)?;
        let mut part = Vec::new();
        // Grows as bytes come: a length that is nonsense takes no memory.
        let got = from.by_ref().take(length).read_to_end(&mut part)?;
        if got as u64 != length {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        parts.push(part);
    }
    Ok(Some(parts))
}

fn number(from: &mut impl Read) -> io::Result<u64> {
    let mut bytes = [0; 8];
    from.read_exact(&mut bytes)?;
    Ok(u64::from_le_bytes(bytes))
}

#[cfg(test)]
mod tests {
    use super::{read, write};

    #[test]
    fn messages_come_back_and_cut_ones_are_noticed() {
        let mut bytes = Vec::new();
        write(&mut bytes, &[b"a\nb", b"", &[0xFF; 300]]).unwrap();
        write(&mut bytes, &[]).unwrap();
        let mut from = bytes.as_slice();
        let first = read(&mut from).unwrap().unwrap();
        assert_eq!(first, [b"a\nb".to_vec(), Vec::new(), vec![0xFF; 300]]);
        assert_eq!(read(&mut from).unwrap().unwrap().len(), 0);
        assert!(read(&mut from).unwrap().is_none());
        assert!(read(&mut &bytes[..60]).is_err());
        assert!(read(&mut &[0xFF; 64][..]).is_err());
    }
}
