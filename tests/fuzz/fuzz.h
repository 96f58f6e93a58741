/* fuzz.h - what the fuzz targets share. A target is one file fuzz_NAME.c with LLVMFuzzerTestOneInput, which
 * takes bytes from a stranger, hands them to one parser through the door that the program uses, and checks
 * what must hold whatever they were. It links with libFuzzer (search for new inputs) or with replay.c (every
 * seed of tests/fuzz/corpus/NAME once).
 *
 * A checksum keeps a search out: where a format has one, half of the inputs (told by their first byte) get
 * the right one from the target itself, computed here and not by the code under test. */
#ifndef TESTS_FUZZ_FUZZ_H
#define TESTS_FUZZ_FUZZ_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* The symbol that libFuzzer looks for. Returns 0, always. */
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* What must hold: else the input is printed as a finding and the program ends. */
#define FUZZ_HOLDS(what) ((what) ? (void)0 : fuzz_broken(#what, __FILE__, __LINE__))
_Noreturn void fuzz_broken(const char *what, const char *file, int line);

/* An empty folder in memory where there is one, for this process; removed at exit. */
const char *fuzz_folder(void);
/* Replaces a file (also one that is read-only). */
void fuzz_write(const char *path, const uint8_t *bytes, size_t count);

/* CRC-16/MCRF4XX one bit at a time and CRC-32/ISO-HDLC one bit at a time (RevEng catalogue). */
uint16_t fuzz_crc16(const uint8_t *bytes, size_t count);
uint32_t fuzz_crc32(const uint8_t *bytes, size_t count);

/* The wire (hw-docs/wire.md). Is this a whole line, without LF, of right LEN and CRC? */
bool fuzz_line_is_right(const char *line, size_t count);
/* SEQ LEN body CRC LF into `out`; 0 when it does not fit in `room`. */
size_t fuzz_line(uint8_t seq, const char *body, size_t count, char *out, size_t room);

/* Cuts text at LF: the next piece without it; false when nothing is left. */
struct fuzz_text {
    const char *at;
    size_t left;
};
bool fuzz_next_line(struct fuzz_text *, const char **line, size_t *count);
/* Decimal number at the start of a piece, 0 when there is none; never overflows. Steps over it and one space.
 */
int64_t fuzz_number(const char **at, size_t *left);

#endif
