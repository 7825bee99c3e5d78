#include "base/file_io.hpp"

#include <sys/resource.h>
#include <sys/stat.h>
#include <unistd.h>

#include <catch2/catch.hpp>
#include <csignal>
#include <fstream>
#include <iterator>
#include <string>

#include "broadloom/error.hpp"

using namespace broadloom;
namespace fs = std::filesystem;

namespace {

/// A folder of its own, removed at the end; open to everyone, so that a test may drop privileges.
class TestFolder {
  public:
    TestFolder() {
        std::string pattern = (fs::temp_directory_path() / "broadloom-test-XXXXXX").string();
        REQUIRE(::mkdtemp(pattern.data()) != nullptr);
        path_ = pattern;
        fs::permissions(path_, fs::perms(0777));
    }
    ~TestFolder() {
        std::error_code ignored;
        fs::remove_all(path_, ignored);
    }
    TestFolder(const TestFolder&) = delete;
    TestFolder& operator=(const TestFolder&) = delete;
    fs::path operator/(const std::string& name) const { return path_ / name; }
    [[nodiscard]] const fs::path& path() const { return path_; }
    [[nodiscard]] size_t entries() const {
        return static_cast<size_t>(
            std::distance(fs::directory_iterator(path_), fs::directory_iterator()));
    }

  private:
    fs::path path_;
};

/// Permissions do not bind root, so tests about them run as somebody else.
class Unprivileged {
  public:
    Unprivileged() {
        if (was_root_) {
            REQUIRE(::seteuid(65534) == 0);
        }
    }
    ~Unprivileged() {
        if (was_root_ && ::seteuid(0) != 0) {
            std::abort();
        }
    }
    Unprivileged(const Unprivileged&) = delete;
    Unprivileged& operator=(const Unprivileged&) = delete;

  private:
    bool was_root_ = ::geteuid() == 0;
};

/// Files cannot grow beyond `bytes`: stands for a disk that fills up in the middle of a write.
class FileSizeLimit {
  public:
    explicit FileSizeLimit(rlim_t bytes) : handler_(::signal(SIGXFSZ, SIG_IGN)) {
        REQUIRE(::getrlimit(RLIMIT_FSIZE, &before_) == 0);
        rlimit now = before_;
        now.rlim_cur = bytes;
        REQUIRE(::setrlimit(RLIMIT_FSIZE, &now) == 0);
    }
    ~FileSizeLimit() {
        ::setrlimit(RLIMIT_FSIZE, &before_);
        ::signal(SIGXFSZ, handler_);
    }
    FileSizeLimit(const FileSizeLimit&) = delete;
    FileSizeLimit& operator=(const FileSizeLimit&) = delete;

  private:
    rlimit before_{};
    void (*handler_)(int);
};

void put(const fs::path& path, std::string_view bytes) {
    std::ofstream(path, std::ios::binary) << bytes;
}

template <typename Action>
Error error_of(const Action& action) {
    try {
        action();
    } catch (const Error& error) {
        INFO(error.what());
        CHECK(std::string_view(error.what()).find('\n') == std::string_view::npos);
        return error;
    }
    FAIL("no error was thrown");
    return {ErrorCode::internal, ""};
}

bool names(const Error& error, const std::string& part) {
    return std::string(error.what()).find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("write_file_atomic writes new files and replaces old ones", "[file_io]") {
    const TestFolder folder;
    const std::string bytes("a\0b\n\xFF", 5);
    for (const std::string& content : {bytes, std::string(), std::string(300'000, 'z')}) {
        write_file_atomic(folder / "scene.json", content);
        CHECK(read_file_limited(folder / "scene.json", 1 << 20) == content);
        CHECK(folder.entries() == 1);
    }
}

TEST_CASE("write_file_atomic keeps permissions and follows links", "[file_io]") {
    const TestFolder folder;
    put(folder / "real.json", "old");
    fs::permissions(folder / "real.json", fs::perms(0640));
    fs::create_symlink("real.json", folder / "link.json");
    write_file_atomic(folder / "link.json", "new");
    CHECK(fs::is_symlink(folder / "link.json"));
    CHECK(read_file_limited(folder / "real.json", 10) == "new");
    CHECK(fs::status(folder / "real.json").permissions() == fs::perms(0640));

    fs::create_symlink("later.json", folder / "dangling.json");
    write_file_atomic(folder / "dangling.json", "made");
    CHECK(read_file_limited(folder / "later.json", 10) == "made");
}

TEST_CASE("write_file_atomic has room for the longest file name", "[file_io]") {
    const TestFolder folder;
    const std::string longest(255, 'n');
    write_file_atomic(folder / longest, "x");
    CHECK(read_file_limited(folder / longest, 10) == "x");
    CHECK(error_of([&] { write_file_atomic(folder / (longest + "n"), "x"); }).code() ==
          ErrorCode::machine);
}

TEST_CASE("A write that fails leaves the old file and no working file", "[file_io]") {
    const TestFolder folder;
    put(folder / "scene.json", "old");
    const std::string large(100'000, 'x');
    {
        const FileSizeLimit limit(4096);
        const Error error = error_of([&] { write_file_atomic(folder / "scene.json", large); });
        CHECK(error.code() == ErrorCode::machine);
        CHECK(names(error, "scene.json"));
        CHECK(names(error, "File too large"));
    }
    CHECK(read_file_limited(folder / "scene.json", 1 << 20) == "old");
    CHECK(folder.entries() == 1);
    write_file_atomic(folder / "scene.json", large);  // control: without the limit it succeeds
    CHECK(read_file_limited(folder / "scene.json", 1 << 20) == large);
}

TEST_CASE("write_file_atomic says why it cannot write", "[file_io]") {
    const TestFolder folder;
    const Error missing = error_of([&] { write_file_atomic(folder / "no/such/s.json", "x"); });
    CHECK(missing.code() == ErrorCode::machine);
    CHECK(names(missing, "create the folder"));

    fs::create_directory(folder / "sub");
    const Error is_folder = error_of([&] { write_file_atomic(folder / "sub", "x"); });
    CHECK(is_folder.code() == ErrorCode::machine);
    CHECK(names(is_folder, "not of a folder"));

    fs::permissions(folder / "sub", fs::perms(0555));
    {
        const Unprivileged user;
        const Error denied = error_of([&] { write_file_atomic(folder / "sub/s.json", "x"); });
        CHECK(denied.code() == ErrorCode::machine);
        CHECK(names(denied, "permissions"));
    }
    CHECK(fs::is_empty(folder / "sub"));
}

TEST_CASE("read_file_limited reads up to its limit and no further", "[file_io]") {
    const TestFolder folder;
    put(folder / "f", "12345");
    CHECK(read_file_limited(folder / "f", 5) == "12345");
    CHECK(read_file_limited(folder / "f", 1 << 20) == "12345");
    const Error large = error_of([&] { static_cast<void>(read_file_limited(folder / "f", 4)); });
    CHECK(large.code() == ErrorCode::input);
    CHECK(names(large, "larger than 4 B"));
    // Endless, and without a size of its own.
    CHECK(error_of([&] { static_cast<void>(read_file_limited("/dev/zero", 100'000)); }).code() ==
          ErrorCode::input);
    CHECK(read_file_limited("/dev/null", 100).empty());
}

TEST_CASE("read_file_limited says why it cannot read", "[file_io]") {
    const TestFolder folder;
    const auto read = [&](const std::string& name) {
        return error_of([&] { static_cast<void>(read_file_limited(folder / name, 100)); });
    };
    const Error missing = read("a\nb.json");
    CHECK(missing.code() == ErrorCode::input);
    CHECK(names(missing, "a\\x0Ab.json: no such file"));

    CHECK(read(".").code() == ErrorCode::input);
    CHECK(names(read("."), "is a folder"));
    put(folder / "f", "x");
    CHECK(read("f/g").code() == ErrorCode::input);
    CHECK(read(std::string(300, 'n')).code() == ErrorCode::input);
    fs::create_symlink("loop", folder / "loop");
    CHECK(read("loop").code() == ErrorCode::input);

    fs::permissions(folder / "f", fs::perms(0));
    const Unprivileged user;
    const Error denied = read("f");
    CHECK(denied.code() == ErrorCode::machine);
    CHECK(names(denied, "permissions"));
}

TEST_CASE("free_disk_bytes looks at the nearest existing parent", "[file_io]") {
    const TestFolder folder;
    const int64_t here = free_disk_bytes(folder.path());
    CHECK(here > 0);
    // Others may write meanwhile; a gibibyte is far more than they do and far less than a mistake.
    CHECK(std::abs(free_disk_bytes(folder / "not/yet/there") - here) < (int64_t{1} << 30));
    CHECK(free_disk_bytes("also-not-there") > 0);
    put(folder / "f", "x");
    CHECK(free_disk_bytes(folder / "f/below/a/file") > 0);
    CHECK(error_of([] {
              static_cast<void>(free_disk_bytes("/" + std::string(5000, 'x')));
          }).code() == ErrorCode::machine);
}

TEST_CASE("sync_folder accepts folders and refuses what is none", "[file_io]") {
    const TestFolder folder;
    CHECK_NOTHROW(sync_folder(folder.path()));
    CHECK(error_of([&] { sync_folder(folder / "none"); }).code() == ErrorCode::machine);
}
