/* main.c - the command table. */
#include "base/err.h"

int main(void) {
    return 2;
}
