/* main.c - what belongs to the process and not to the library: descriptors, signals, the error
 * handler of gsl. Everything else is in program.c. */
#include <errno.h>
#include <fcntl.h>
#include <gsl/gsl_errno.h>
#include <signal.h>
#include <unistd.h>

#include "cli/cli.h"

/* A missing descriptor 0 to 2 would be handed to the first file that is opened. /dev/null read-only
 * takes its place: writing to it still fails, and is noticed. */
static void fill_descriptors(void) {
    for (int fd = 0; fd <= 2; fd++) {
        if (fcntl(fd, F_GETFD) == -1 && errno == EBADF) {
            (void)open("/dev/null", O_RDONLY);
        }
    }
}

int main(int argc, char **argv) {
    fill_descriptors();
    (void)signal(SIGPIPE, SIG_IGN); /* a closed pipe becomes a write error, exit 1 */
    (void)gsl_set_error_handler_off();
    const int code = cli_main(argc, argv);
    /* close is where a network disk says that it is full */
    if (fclose(stdout) != 0 && code == 0) {
        const struct nw_err err = {NW_IO, "cannot write the result to stdout"};
        cli_say_error(&err);
        return cli_exit_code(NW_IO);
    }
    return code;
}
