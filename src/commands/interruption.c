#include "commands/interruption.h"

#include "base/leftovers.h"
#include "commands/progress.h"

#include <pthread.h>
#include <signal.h>
#include <stdlib.h>
#include <unistd.h>

static const int signals[] = {SIGHUP, SIGINT, SIGTERM};
enum { N_SIGNALS = sizeof signals / sizeof signals[0] };
enum { SIGNAL_CODE = 128 }; /* what a shell adds to a signal's number */

/* Ends the process by the signal itself. */
static void end_by(int number)
{
    sigset_t alone;

    (void)sigemptyset(&alone);
    (void)sigaddset(&alone, number);
    (void)signal(number, SIG_DFL);
    (void)pthread_sigmask(SIG_UNBLOCK, &alone, NULL);
    (void)raise(number);
    _exit(SIGNAL_CODE + number);
}

/* No handler runs in the midst of other work: this thread waits for the signal, so it may do what threads
 * may. */
static void *wait_for_end(void *argument)
{
    sigset_t *watched = argument;
    int number = 0;

    while (sigwait(watched, &number) != 0)
        ;
    leftovers_hold(); /* and never released: nothing new is begun */
    leftovers_take_away();
    progress_print_interruption();
    end_by(number);
    return NULL;
}

/* Those that are not ignored: nohup and a shell's background jobs ignore some on purpose. */
static void list_signals(sigset_t *watched)
{
    struct sigaction before;

    (void)sigemptyset(watched);
    for (int i = 0; i < N_SIGNALS; i++)
        if (sigaction(signals[i], NULL, &before) == 0 && before.sa_handler != SIG_IGN)
            (void)sigaddset(watched, signals[i]);
}

void interruption_watch(void)
{
    static sigset_t watched; /* for the thread, which lives as long as the process */
    pthread_t thread;

    list_signals(&watched);
    if (pthread_sigmask(SIG_BLOCK, &watched, NULL) != 0)
        return;
    if (pthread_create(&thread, NULL, wait_for_end, &watched) == 0)
        (void)pthread_detach(thread);
    else
        (void)pthread_sigmask(SIG_UNBLOCK, &watched, NULL);
}
