/* Lines of bare numbers, as a logger of one rate writes them: into one array a column.
 *
 * Most of a long log is this, and a general parser takes more than three times as long for it
 * (measured: DEVELOPERS.md, "Benchmarks"). Whatever else there is (a word, a quote, an exponent, another
 * number of cells) is refused, and the part goes to Arrow's parser, which decides what a cell means.
 *
 * A decimal number of at most 2^53 over a power of ten of at most 10^22 is one division of two exact
 * doubles, so it is rounded once and correctly (W. D. Clinger, "How to read floating point numbers
 * accurately", PLDI 1990, doi:10.1145/93542.93557): the same bits as Arrow's.
 */
#include <float.h>
#include <math.h>
#include <stddef.h>
#include <stdint.h>

#if FLT_EVAL_METHOD != 0
#error "doubles would be rounded twice; without this file Arrow's parser takes all"
#endif

enum kind { LEFT_OUT = 0, WHOLE = 1, REAL = 2 };
enum { MOST_DIGITS = 18 }; /* of which none overflows 64 bits */

static const double POWER[MOST_DIGITS + 1] = {
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9,
    1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
};

static const char *digits(const char *at, uint64_t *number)
{
    unsigned digit;
    while ((digit = (unsigned)(unsigned char)*at - '0') < 10) {
        *number = 10 * *number + digit;
        at++;
    }
    return at;
}

/* One cell into its column, NaN where a real one is blank; NULL where it is no bare number.
 * A line feed ends every loop. */
static const char *cell(const char *at, char delimiter, int8_t kind, void *column, int64_t row)
{
    if (kind == REAL && (*at == delimiter || *at == '\n' || *at == '\r')) {
        ((double *)column)[row] = NAN;
        return at;
    }
    uint64_t number = 0;
    int64_t places = 0;
    int negative = *at == '-';
    const char *first = at + negative;
    at = digits(first, &number);
    int64_t count = at - first;
    if (count == 0 || (count > 1 && *first == '0'))
        return NULL;
    if (*at == '.' && kind == REAL) {
        const char *dot = at;
        at = digits(dot + 1, &number);
        places = at - dot - 1;
        if (places == 0)
            return NULL;
    }
    if (count + places > MOST_DIGITS)
        return NULL;
    if (kind == WHOLE) {
        ((int64_t *)column)[row] = negative ? -(int64_t)number : (int64_t)number;
    } else {
        if (number > (uint64_t)1 << DBL_MANT_DIG)
            return NULL;
        double value = (double)number / POWER[places];
        ((double *)column)[row] = negative ? -value : value;
    }
    return at;
}

static const char *left_out(const char *at, char delimiter)
{
    while (*at != delimiter && *at != '\n' && *at != '\r' && *at != '"')
        at++;
    return at;
}

/* Rows written, at most `room`; -1 where something is no bare number. `kinds` and `columns` have one entry
 * a cell of a line; `delimiter` is none of the characters of a number. */
int64_t bare_numbers(
    const char *text, int64_t size, char delimiter, int64_t cells,
    const int8_t *kinds, void *const *columns, int64_t room)
{
    const char *at = text, *end = text + size;
    int64_t row = 0;
    if (size < 1 || end[-1] != '\n')
        return -1;
    for (; at < end; row++) {
        if (row == room)
            return -1;
        for (int64_t k = 0; k < cells; k++) {
            if (k > 0 && *at++ != delimiter)
                return -1;
            at = kinds[k] == LEFT_OUT ? left_out(at, delimiter)
                                      : cell(at, delimiter, kinds[k], columns[k], row);
            if (at == NULL)
                return -1;
        }
        if (*at == '\r')
            at++;
        if (*at++ != '\n')
            return -1;
    }
    return row;
}
