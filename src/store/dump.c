/* dump.c - the whole database as text, for comparing two of them. One row a line, columns by name, tabs
 * between. */
#include <string.h>

#include "store/db.h"
#include "store/inner.h"

static void put_text(FILE *out, const unsigned char *text, int bytes)
{
    fputc('"', out);
    for (int i = 0; i < bytes; i++) {
        if (text[i] == '"' || text[i] == '\\')
            fprintf(out, "\\%c", text[i]);
        else if (text[i] < 0x20 || text[i] == 0x7f)
            fprintf(out, "\\x%02x", text[i]);
        else
            fputc(text[i], out);
    }
    fputc('"', out);
}

/* A real is printed by its bits: exact, and the same in every locale. */
static void put_value(FILE *out, sqlite3_stmt *st, int column)
{
    switch (sqlite3_column_type(st, column)) {
    case SQLITE_NULL:
        fputs("null", out);
        break;
    case SQLITE_INTEGER:
        fprintf(out, "%lld", (long long)sqlite3_column_int64(st, column));
        break;
    case SQLITE_FLOAT: {
        const double v = sqlite3_column_double(st, column);
        uint64_t bits;
        memcpy(&bits, &v, sizeof bits);
        fprintf(out, "real:%016llx", (unsigned long long)bits);
        break;
    }
    default:
        put_text(out, sqlite3_column_text(st, column), sqlite3_column_bytes(st, column));
        break;
    }
}

static int dump_table(struct store *s, const char *table, const char *key, FILE *out, struct err *why)
{
    char sql[128];
    sqlite3_stmt *st;
    snprintf(sql, sizeof sql, "SELECT * FROM %s ORDER BY %s", table, key);
    int rc = db_query(s->db, why, &st, sql, "");
    if (rc) return rc;
    while ((rc = db_row(st, why)) > 0) {
        fputs(table, out);
        for (int c = 0; c < sqlite3_column_count(st); c++) {
            fprintf(out, "\t%s=", sqlite3_column_name(st, c));
            put_value(out, st, c);
        }
        fputc('\n', out);
    }
    sqlite3_finalize(st);
    return rc;
}

int store_dump(struct store *s, FILE *out, struct err *why)
{
    static const char *const tables[][2] = {{"stack", "id"},    {"plan", "id"}, {"slice", "plan, number"},
                                            {"exposure", "id"}, {"file", "id"}, {"choice", "id"},
                                            {"event", "id"}};
    fprintf(out, "format\t%d\n", 1);
    int rc = E_OK;
    for (size_t i = 0; i < sizeof tables / sizeof *tables && !rc; i++)
        rc = dump_table(s, tables[i][0], tables[i][1], out, why);
    return rc;
}
