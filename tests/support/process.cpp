#include "support/process.hpp"

#include <fcntl.h>
#include <poll.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <chrono>
#include <csignal>
#include <cstring>
#include <stdexcept>

namespace broadloom::test {

namespace {

/// Status of a child that could not load the program; no program of ours uses it.
constexpr int kNotStarted = 213;
constexpr unsigned kNobody = 65534;

double now() {
    return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch())
        .count();
}

struct Pipe {
    std::array<int, 2> ends{-1, -1};
    Pipe() {
        if (::pipe2(ends.data(), O_CLOEXEC) != 0) throw std::runtime_error("no pipe");
    }
    ~Pipe() {
        close_end(0);
        close_end(1);
    }
    Pipe(const Pipe&) = delete;
    Pipe& operator=(const Pipe&) = delete;
    void close_end(size_t i) {
        if (ends[i] >= 0) ::close(ends[i]);
        ends[i] = -1;
    }
};

/// In the child; only calls that are safe after fork.
[[noreturn]] void start(char* const* words, const ProcessOptions& o, const Pipe& out,
                        const Pipe& err) {
    const int nothing = ::open("/dev/null", O_RDONLY | O_CLOEXEC);
    ::dup2(nothing, STDIN_FILENO);
    ::dup2(out.ends[1], STDOUT_FILENO);
    if (!o.show_errors) ::dup2(err.ends[1], STDERR_FILENO);
    if (!o.folder.empty() && ::chdir(o.folder.c_str()) != 0) ::_exit(kNotStarted);
    if (o.most_file_bytes) {
        const struct rlimit limit { *o.most_file_bytes, *o.most_file_bytes };
        if (::setrlimit(RLIMIT_FSIZE, &limit) != 0) ::_exit(kNotStarted);
    }
    if (o.as_nobody && (::setgid(kNobody) != 0 || ::setuid(kNobody) != 0)) ::_exit(kNotStarted);
    ::execvp(words[0], words);
    ::_exit(kNotStarted);
}

/// Reads what is there; false at the end.
bool drain(int end, std::string& text) {
    std::array<char, 8192> buffer;
    const ssize_t n = ::read(end, buffer.data(), buffer.size());
    if (n > 0) text.append(buffer.data(), static_cast<size_t>(n));
    return n > 0 || (n < 0 && errno == EINTR);
}

double seconds_of(const struct timeval& t) {
    return static_cast<double>(t.tv_sec) + static_cast<double>(t.tv_usec) / 1e6;
}

}  // namespace

ProcessResult run_process(const std::vector<std::string>& command, const ProcessOptions& options) {
    std::vector<std::string> copies = command;
    std::vector<char*> words;
    for (std::string& w : copies) words.push_back(w.data());
    words.push_back(nullptr);

    Pipe out;
    Pipe err;
    const double started = now();
    const pid_t child = ::fork();
    if (child < 0) throw std::runtime_error("cannot fork");
    if (child == 0) start(words.data(), options, out, err);
    out.close_end(1);
    err.close_end(1);

    ProcessResult result;
    std::optional<double> signalled;
    struct rusage usage {};
    int status = 0;
    bool ended = false;
    bool late = false;
    while (!ended || out.ends[0] >= 0 || err.ends[0] >= 0) {
        std::array<struct pollfd, 2> ends{{{out.ends[0], POLLIN, 0}, {err.ends[0], POLLIN, 0}}};
        ::poll(ends.data(), ends.size(), 5);
        if (ends[0].revents != 0 && !drain(out.ends[0], result.out)) out.close_end(0);
        if (ends[1].revents != 0 && !drain(err.ends[0], result.err)) err.close_end(0);
        if (ended) continue;
        if (::wait4(child, &status, WNOHANG, &usage) == child) {
            ended = true;
            result.seconds = now() - started;
            if (signalled) result.seconds_after_signal = now() - *signalled;
            continue;
        }
        const double elapsed = now() - started;
        if (elapsed > options.timeout_seconds && !late) {
            late = true;
            ::kill(child, SIGKILL);
        }
        const int number = options.signal ? options.signal(elapsed) : 0;
        if (number != 0) {
            if (!signalled) signalled = now();
            ::kill(child, number);
        }
    }
    if (late) throw std::runtime_error(command[0] + " did not end in time; it said: " + result.err);
    result.killed = WIFSIGNALED(status);
    result.status = result.killed ? 128 + WTERMSIG(status) : WEXITSTATUS(status);
    if (result.status == kNotStarted) throw std::runtime_error("cannot start " + command[0]);
    result.peak_bytes = int64_t{usage.ru_maxrss} * 1024;
    result.cpu_seconds = seconds_of(usage.ru_utime) + seconds_of(usage.ru_stime);
    return result;
}

std::string last_line(const std::string& text) {
    std::string body = text;
    if (!body.empty() && body.back() == '\n') body.pop_back();
    const size_t at = body.rfind('\n');
    return at == std::string::npos ? body : body.substr(at + 1);
}

}  // namespace broadloom::test
