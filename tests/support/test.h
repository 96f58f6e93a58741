/* test.h - what every test program includes first: cmocka, less its fail(), whose name base/err.h has:
 * fail_msg says why. */
#ifndef TESTS_SUPPORT_TEST_H
#define TESTS_SUPPORT_TEST_H

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>
#undef fail
#undef fail_msg
#define fail_msg(...) (print_error(__VA_ARGS__), print_error("\n"), _fail(__FILE__, __LINE__))

/* An empty folder for this test program's files; the same one each time. Removed at exit. */
const char *test_folder(void);

/* |actual - wanted| <= tolerance, else the test fails and shows all three. */
#define assert_near(actual, wanted, tolerance)                                                               \
    test_near((actual), (wanted), (tolerance), #actual, __FILE__, __LINE__)
void test_near(double actual, double wanted, double tolerance, const char *what, const char *file, int line);

#endif
