/* Reads kernel files once a second and nothing else, with kept descriptors, and prints what
 * that takes: the floor of any program that samples them. Built by scripts/cost.sh --floor:
 *   floor SECONDS CLOCKS FILE@EVERY[+AT]...
 * A file is read in every EVERYth second, at place AT; CLOCKS processor clocks of this
 * process are read every second besides. Times are this thread's processor time, cold: the
 * second before each round was spent waiting. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

enum { MOST = 512 };

static char buf[64 << 10];

static long long now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_THREAD_CPUTIME_ID, &t);
	return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv)
{
	static struct { const char *name; int fd, every, at; long long sum; long n; } f[MOST];
	int files = 0, seconds = argc > 1 ? atoi(argv[1]) : 0, clocks = argc > 2 ? atoi(argv[2]) : 0;
	if (seconds < 1 || argc < 4 || argc > MOST) {
		fprintf(stderr, "usage: floor SECONDS CLOCKS FILE@EVERY[+AT]...\n");
		return 2;
	}
	for (int i = 3; i < argc; i++) {
		char *at = strchr(argv[i], '@');
		f[files].every = 1;
		if (at) {
			*at = 0;
			f[files].every = atoi(at + 1) > 0 ? atoi(at + 1) : 1;
			f[files].at = strchr(at + 1, '+') ? atoi(strchr(at + 1, '+') + 1) : 0;
		}
		f[files].name = argv[i];
		if ((f[files].fd = open(argv[i], O_RDONLY | O_CLOEXEC)) >= 0)
			files++;
	}
	clockid_t own;
	clock_getcpuclockid(getpid(), &own);
	struct timespec next;
	clock_gettime(CLOCK_MONOTONIC, &next);
	long long all = 0, longest = 0, clock_sum = 0;
	for (int s = 0; s < seconds; s++) {
		next.tv_sec++;
		clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &next, NULL);
		long long start = now(), last = start;
		for (int i = 0; i < files; i++) {
			if (s % f[i].every != f[i].at)
				continue;
			if (pread(f[i].fd, buf, sizeof buf, 0) < 0) { /* as dear as one that answers */ }
			long long t = now();
			f[i].sum += t - last, f[i].n++, last = t;
		}
		for (int i = 0; i < clocks; i++) {
			struct timespec t;
			clock_gettime(own, &t);
		}
		long long end = now();
		clock_sum += end - last;
		all += end - start;
		if (end - start > longest)
			longest = end - start;
	}
	for (int i = 0; i < files; i++)
		if (f[i].n)
			printf("%9.1f us  %s, every %d s\n", f[i].sum / 1e3 / f[i].n, f[i].name, f[i].every);
	printf("%9.1f us  %d processor clocks\n", clock_sum / 1e3 / seconds, clocks);
	printf("floor      %d rounds, on average %.3f ms each, the longest %.3f ms\n", seconds, all / 1e6 / seconds, longest / 1e6);
	return 0;
}
