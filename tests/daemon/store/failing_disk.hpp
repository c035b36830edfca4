// A disk that fails when it is told to, as an SQLite VFS around the system's own: the n-th write,
// flush or truncation fails, or everything is full from then on, or the power goes and every file
// is what it was at its last flush.
#pragma once

#include <sqlite3.h>

#include <cstring>
#include <filesystem>
#include <fstream>
#include <map>
#include <sstream>
#include <string>

namespace nightbench::store::test {

// There is one; it counts for all files opened through it. For one thread.
struct FailingDisk {
  static constexpr const char* kName = "nightbench-failing-disk";
  int operations = 0;  // writes, flushes and truncations so far
  int fail_at = -1;    // this one fails (and those after it, when `stays` is set); -1 none
  bool stays = false;
  int code = SQLITE_IOERR_WRITE;
  std::map<std::string, std::string> flushed;  // what a power cut leaves, by path

  static FailingDisk& get() {
    static FailingDisk disk;
    return disk;
  }
  void reset() {
    operations = 0;
    fail_at = -1;
    stays = false;
    code = SQLITE_IOERR_WRITE;
    flushed.clear();
  }
  bool fails() {
    const int number = operations++;
    return fail_at >= 0 && (number == fail_at || (stays && number > fail_at));
  }
  // Writes what the disk would hold after loss of power into `folder`, without the shared-memory
  // file, which lives in memory.
  void power_cut_into(const std::filesystem::path& folder) const {
    std::filesystem::create_directories(folder);
    for (const auto& [path, content] : flushed) {
      std::ofstream stream(folder / std::filesystem::path(path).filename(), std::ios::binary);
      stream << content;
    }
  }
};

namespace failing_disk {

struct File {
  sqlite3_file base;
  const char* path;  // owned by SQLite, lives as long as the file
  sqlite3_file* real() { return reinterpret_cast<sqlite3_file*>(this + 1); }
};

inline File* of(sqlite3_file* file) {
  return reinterpret_cast<File*>(file);
}
inline sqlite3_file* real(sqlite3_file* file) {
  return of(file)->real();
}
inline const sqlite3_io_methods* methods(sqlite3_file* file) {
  return real(file)->pMethods;
}
inline sqlite3_vfs* system() {
  return sqlite3_vfs_find(nullptr);
}

inline int write(sqlite3_file* file, const void* bytes, int size, sqlite3_int64 at) {
  if (FailingDisk::get().fails()) return FailingDisk::get().code;
  return methods(file)->xWrite(real(file), bytes, size, at);
}
inline int truncate(sqlite3_file* file, sqlite3_int64 size) {
  if (FailingDisk::get().fails()) return SQLITE_IOERR_TRUNCATE;
  return methods(file)->xTruncate(real(file), size);
}
inline int sync(sqlite3_file* file, int flags) {
  FailingDisk& disk = FailingDisk::get();
  if (disk.fails()) return SQLITE_IOERR_FSYNC;
  // The bytes count as on the disk from here on; the real flush would only cost time.
  (void)flags;
  if (of(file)->path != nullptr) {
    std::ifstream stream(of(file)->path, std::ios::binary);
    std::ostringstream content;
    content << stream.rdbuf();
    disk.flushed[of(file)->path] = content.str();
  }
  return SQLITE_OK;
}

inline sqlite3_io_methods make_methods() {
  sqlite3_io_methods out{};
  out.iVersion = 2;
  out.xClose = [](sqlite3_file* f) { return methods(f)->xClose(real(f)); };
  out.xRead = [](sqlite3_file* f, void* to, int n, sqlite3_int64 at) {
    return methods(f)->xRead(real(f), to, n, at);
  };
  out.xWrite = write;
  out.xTruncate = truncate;
  out.xSync = sync;
  out.xFileSize = [](sqlite3_file* f, sqlite3_int64* n) {
    return methods(f)->xFileSize(real(f), n);
  };
  out.xLock = [](sqlite3_file* f, int l) { return methods(f)->xLock(real(f), l); };
  out.xUnlock = [](sqlite3_file* f, int l) { return methods(f)->xUnlock(real(f), l); };
  out.xCheckReservedLock = [](sqlite3_file* f, int* l) {
    return methods(f)->xCheckReservedLock(real(f), l);
  };
  out.xFileControl = [](sqlite3_file* f, int op, void* arg) {
    return methods(f)->xFileControl(real(f), op, arg);
  };
  out.xSectorSize = [](sqlite3_file* f) { return methods(f)->xSectorSize(real(f)); };
  // No promise of atomic writes: SQLite must do its best.
  out.xDeviceCharacteristics = [](sqlite3_file*) { return 0; };
  out.xShmMap = [](sqlite3_file* f, int page, int size, int extend, void volatile** at) {
    return methods(f)->xShmMap(real(f), page, size, extend, at);
  };
  out.xShmLock = [](sqlite3_file* f, int at, int n, int flags) {
    return methods(f)->xShmLock(real(f), at, n, flags);
  };
  out.xShmBarrier = [](sqlite3_file* f) { methods(f)->xShmBarrier(real(f)); };
  out.xShmUnmap = [](sqlite3_file* f, int del) { return methods(f)->xShmUnmap(real(f), del); };
  return out;
}

inline int open(sqlite3_vfs*, const char* path, sqlite3_file* file, int flags, int* out_flags) {
  static const sqlite3_io_methods kMethods = make_methods();
  of(file)->path = path;
  file->pMethods = nullptr;
  const int code = system()->xOpen(system(), path, real(file), flags, out_flags);
  if (code == SQLITE_OK) file->pMethods = &kMethods;
  return code;
}

}  // namespace failing_disk

// Makes the VFS known; later calls do nothing.
inline void install_failing_disk() {
  static sqlite3_vfs vfs = [] {
    sqlite3_vfs out = *failing_disk::system();
    out.zName = FailingDisk::kName;
    out.szOsFile += static_cast<int>(sizeof(failing_disk::File));
    out.xOpen = failing_disk::open;
    out.xDelete = [](sqlite3_vfs*, const char* path, int flush_folder) {
      FailingDisk::get().flushed.erase(path);
      return failing_disk::system()->xDelete(failing_disk::system(), path, flush_folder);
    };
    return out;
  }();
  static const int registered = sqlite3_vfs_register(&vfs, 0);
  (void)registered;
}

}  // namespace nightbench::store::test
