/* test_options.c - The option parser: every way to write an option, every way to get it wrong. */
#include "check.h"

#include "cli/cli.h"

static const struct cli_option OPTIONS[] = {
    {.name = "frames", .kind = CLI_LIST, .value = "FRAME", .help = "frames"},
    {.name = "output", .letter = 'o', .kind = CLI_TEXT, .value = "FILE", .help = "output"},
    {.name = "set", .kind = CLI_TEXT, .value = "PATH=VALUE", .help = "set", .is_repeatable = true},
    {.name = "threads", .kind = CLI_COUNT, .value = "N", .help = "threads", .min = 1, .max = 256},
    {.name = "scale", .kind = CLI_NUMBER, .value = "X", .help = "scale"},
    {.name = "colour", .kind = CLI_CHOICE, .value = "R|G|B", .help = "colour"},
    {.name = "strict", .help = "strict"},
    {0},
};

static const struct cli_command COMMAND = {.name = "test",
                                           .arguments = "RIG [LOG]",
                                           .help = "Tests.",
                                           .options = OPTIONS,
                                           .min_args = 1,
                                           .max_args = 2};

enum { MAX_WORDS = 12 };

static enum nw_status parse(const char *const *words, struct cli_args **ret, struct nw_err *err) {
    char text[MAX_WORDS][64];
    char *argv[MAX_WORDS];
    int argc = 0;
    static char kept[MAX_WORDS][64]; /* the parser borrows; one test at a time */
    for (; words[argc]; argc++) {
        (void)snprintf(text[argc], sizeof text[argc], "%s", words[argc]);
        memcpy(kept[argc], text[argc], sizeof kept[argc]);
        argv[argc] = kept[argc];
    }
    return cli_args_parse(&COMMAND, argc, argv, ret, err);
}
#define WORDS(...) ((const char *const[]){__VA_ARGS__, NULL})

static void test_every_way_to_write_a_value(void **state) {
    (void)state;
    const char *const *const ways[] = {
        WORDS("rig", "--output", "x"), WORDS("rig", "--output=x"),
        WORDS("-o", "x", "rig"),       WORDS("rig", "-ox"),
        WORDS("rig", "-o=x"),          WORDS("--output", "x", "--", "rig")};
    for (size_t i = 0; i < sizeof ways / sizeof ways[0]; i++) {
        struct cli_args *args = NULL;
        assert_int_equal(parse(ways[i], &args, NULL), NW_OK);
        assert_string_equal(cli_text(args, "output"), "x");
        assert_int_equal(cli_n_args(args), 1);
        assert_string_equal(cli_arg(args, 0), "rig");
        cli_args_free(args);
    }
}

static void test_lists_end_at_the_next_option(void **state) {
    (void)state;
    struct cli_args *args = NULL;
    assert_int_equal(
        parse(WORDS("rig", "--frames", "a", "b", "--strict", "--frames", "c"), &args, NULL), NW_OK);
    size_t n = 0;
    const char *const *const frames = cli_texts(args, "frames", &n);
    assert_int_equal(n, 3);
    assert_string_equal(frames[0], "a");
    assert_string_equal(frames[1], "b");
    assert_string_equal(frames[2], "c");
    assert_true(cli_given(args, "strict"));
    assert_int_equal(cli_n_args(args), 1);
    cli_args_free(args);
}

static void test_values_keep_their_order_between_options(void **state) {
    (void)state;
    struct cli_args *args = NULL;
    assert_int_equal(parse(WORDS("rig", "--set", "a=1", "-oy", "--set=b=2"), &args, NULL), NW_OK);
    size_t n = 0;
    const char *const *const set = cli_texts(args, "set", &n);
    assert_int_equal(n, 2);
    assert_string_equal(set[0], "a=1");
    assert_string_equal(set[1], "b=2");
    assert_string_equal(cli_text(args, "output"), "y");
    (void)cli_texts(args, "frames", &n);
    assert_int_equal(n, 0);
    assert_null(cli_text(args, "colour"));
    cli_args_free(args);
}

static void test_numbers_may_be_negative_and_files_may_be_a_dash(void **state) {
    (void)state;
    struct cli_args *args = NULL;
    assert_int_equal(parse(WORDS("-", "--scale", "-1.5", "--threads", "3"), &args, NULL), NW_OK);
    check_near(cli_number(args, "scale", 0.0), -1.5, 0.0, "as typed");
    assert_int_equal(cli_count(args, "threads", 0), 3);
    assert_string_equal(cli_arg(args, 0), "-");
    cli_args_free(args);
    assert_int_equal(parse(WORDS("rig"), &args, NULL), NW_OK);
    check_near(cli_number(args, "scale", 7.0), 7.0, 0.0, "the default");
    assert_int_equal(cli_count(args, "threads", 9), 9);
    cli_args_free(args);
}

static void test_after_two_dashes_nothing_is_an_option(void **state) {
    (void)state;
    struct cli_args *args = NULL;
    assert_int_equal(parse(WORDS("--", "--json", "-o"), &args, NULL), NW_OK);
    assert_int_equal(cli_n_args(args), 2);
    assert_string_equal(cli_arg(args, 0), "--json");
    assert_false(cli_wants_json(args));
    cli_args_free(args);
}

static void test_help_waives_the_arguments(void **state) {
    (void)state;
    struct cli_args *args = NULL;
    assert_int_equal(parse(WORDS("--help"), &args, NULL), NW_OK);
    assert_true(cli_wants_help(args));
    cli_args_free(args);
    assert_int_equal(parse(WORDS("-h"), &args, NULL), NW_OK);
    assert_true(cli_wants_help(args));
    cli_args_free(args);
}

static void test_each_mistake_has_its_sentence(void **state) {
    (void)state;
    const struct {
        const char *const *words;
        const char *said;
    } rows[] = {
        {WORDS("rig", "--jsn"), "unknown option --jsn (nearest: --json)"},
        {WORDS("rig", "--thread", "2"), "(nearest: --threads)"},
        {WORDS("rig", "--zzzzzzzz"), "unknown option --zzzzzzzz (test --help lists them)"},
        {WORDS("rig", "-x"), "unknown option -"},
        {WORDS("rig", "--output"), "--output needs a value: --output FILE"},
        {WORDS("rig", "--output", "--json"), "--output needs a value"},
        {WORDS("rig", "--output="), "--output is empty, expected FILE"},
        {WORDS("rig", "--output", "a", "--output", "b"), "given twice ('a' and 'b')"},
        {WORDS("rig", "--frames"), "--frames needs a value"},
        {WORDS("rig", "--strict=yes"), "--strict takes no value, found 'yes'"},
        {WORDS("rig", "--threads", "two"), "--threads is 'two', expected a whole number"},
        {WORDS("rig", "--threads", "1.5"), "expected a whole number"},
        {WORDS("rig", "--threads", "0"), "--threads is 0, expected 1 to 256"},
        {WORDS("rig", "--threads", "99999999999999999999"), "expected a whole number"},
        {WORDS("rig", "--scale", "nan"), "--scale is 'nan', expected a number"},
        {WORDS("rig", "--scale", "1,5"), "--scale is '1,5', expected a number"},
        {WORDS("rig", "--colour", "g"), "--colour is 'g', expected one of R|G|B"},
        {WORDS("rig", "--colour", "R|G"), "expected one of R|G|B"},
        {WORDS("--strict"), "argument missing; usage: nightwright test RIG [LOG]"},
        {WORDS("a", "b", "c"), "'c' is one argument too many"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct nw_err err = {0};
        struct cli_args *args = NULL;
        assert_int_equal(parse(rows[i].words, &args, &err), NW_USAGE);
        assert_null(args);
        if (!strstr(err.text, rows[i].said)) {
            print_error("row %zu: '%s' does not hold '%s'\n", i, err.text, rows[i].said);
            fail();
        }
    }
}

static void test_status_becomes_exit_code_by_the_contract(void **state) {
    (void)state;
    const struct {
        enum nw_status status;
        int code;
    } rows[] = {{NW_OK, 0},       {NW_DOMAIN, 2}, {NW_NOMEM, 1}, {NW_IO, 1},   {NW_FORMAT, 2},
                {NW_NOTFOUND, 2}, {NW_LIMIT, 2},  {NW_DATA, 1},  {NW_USAGE, 2}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        assert_int_equal(cli_exit_code(rows[i].status), rows[i].code);
    }
}

static void test_every_command_is_described(void **state) {
    (void)state;
    const struct cli_command *command = NULL;
    for (size_t i = 0; (command = cli_command_at(i)); i++) {
        assert_ptr_equal(cli_command_find(command->name), command);
        assert_true(strlen(command->help) > 10);
        assert_true(command->min_args <= command->max_args);
        struct nw_buf text;
        nw_buf_init(&text, 65536);
        cli_help_command(command, &text);
        assert_false(nw_buf_failed(&text));
        const struct cli_option *option = NULL;
        for (size_t k = 0; (option = cli_option_at(command, k)); k++) {
            char word[64];
            (void)snprintf(word, sizeof word, "--%s", option->name);
            assert_non_null(strstr(text.data, word));
            assert_true(option->kind == CLI_FLAG || option->value != NULL);
            assert_true(strlen(option->help) > 3);
        }
        for (const char *line = text.data; line && *line;) { /* 80 columns */
            const char *const end = strchr(line, '\n');
            assert_true(end && end - line <= 80);
            line = end + 1;
        }
        nw_buf_done(&text);
    }
    assert_null(cli_command_find("no such command"));
    assert_string_equal(cli_command_nearest("mesure"), "measure");
    assert_null(cli_command_nearest("qqqqqqqq"));
}

int main(void) {
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_way_to_write_a_value),
        cmocka_unit_test(test_lists_end_at_the_next_option),
        cmocka_unit_test(test_values_keep_their_order_between_options),
        cmocka_unit_test(test_numbers_may_be_negative_and_files_may_be_a_dash),
        cmocka_unit_test(test_after_two_dashes_nothing_is_an_option),
        cmocka_unit_test(test_help_waives_the_arguments),
        cmocka_unit_test(test_each_mistake_has_its_sentence),
        cmocka_unit_test(test_status_becomes_exit_code_by_the_contract),
        cmocka_unit_test(test_every_command_is_described),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}
