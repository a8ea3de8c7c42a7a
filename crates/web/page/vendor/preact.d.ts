export * from 'preact';
