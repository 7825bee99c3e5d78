// Runs a program and appends one line to a file: its exit status, largest resident memory in KiB,
// wall seconds and CPU seconds, as the kernel counts them:
//   measured_run FILE PROGRAM [ARGUMENT...]
// Kept apart from the measurement scripts, so that the figures do not hang on a package.
#include <cstdio>
#include <exception>
#include <string>
#include <vector>

#include "support/process.hpp"

int main(int argc, char** argv) {
    if (argc < 3) {
        std::fprintf(stderr, "usage: measured_run FILE PROGRAM [ARGUMENT...]\n");
        return 2;
    }
    try {
        broadloom::test::ProcessOptions options;
        options.show_errors = true;
        options.timeout_seconds = 7200;
        const auto r =
            broadloom::test::run_process(std::vector<std::string>(argv + 2, argv + argc), options);
        std::fputs(r.out.c_str(), stdout);
        std::FILE* file = std::fopen(argv[1], "a");
        if (file == nullptr) throw std::runtime_error("cannot write " + std::string(argv[1]));
        std::fprintf(file, "%d %lld %.2f %.2f\n", r.status,
                     static_cast<long long>(r.peak_bytes / 1024), r.seconds, r.cpu_seconds);
        std::fclose(file);
        return r.status;
    } catch (const std::exception& e) {
        std::fprintf(stderr, "measured_run: %s\n", e.what());
        return 1;
    }
}
